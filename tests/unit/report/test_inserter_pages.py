"""Private pages of inserters: one each, supervised cases marked, nobody ranked, no patient."""

import json
from pathlib import Path

import pytest

from outcomes.command import main
from outcomes.errors import UsageError
from outcomes.plan import Quarter
from outcomes.report.inserter_pages import InserterPages, make_inserter_pages
from tests.notebooks.test_pages_in_browser import audited


def given(demo: Path) -> tuple[Path, Path, Quarter]:
    return demo / "study", demo / "clinic" / "plan.toml", Quarter.parse("2026-Q3")


@pytest.fixture(scope="module")
def made(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> InserterPages:
    out = tmp_path_factory.mktemp("private")
    return make_inserter_pages(*given(demo), out)


def test_each_inserter_has_a_page_in_the_order_of_ids(made: InserterPages) -> None:
    assert len(made.pages) > 1
    names = [page.parent.name for page in made.pages]
    assert names == sorted(names)


def test_a_page_names_no_other_inserter_and_no_patient(made: InserterPages) -> None:
    names = [page.parent.name.removeprefix("inserter-").upper() for page in made.pages]
    for name, page in zip(names, made.pages, strict=True):
        text = page.read_text("utf-8")
        assert name in text
        assert not [other for other in names if other != name and f"inserter {other}" in text]
        assert "patient_id" not in (page.parent / "tables" / "inserter_page.csv").read_text("utf-8")
        assert "rank" not in text.replace("no page ranks", "").lower()


def test_supervised_cases_are_marked(made: InserterPages) -> None:
    texts = [page.read_text("utf-8") for page in made.pages]
    assert all("hollow: supervised" in text for text in texts)
    assert all("Supervised: " in text for text in texts)
    assert all('<th scope="col">Supervised</th>' in text for text in texts)


def test_the_folder_is_closed_to_others(made: InserterPages) -> None:
    assert made.folder.stat().st_mode & 0o077 == 0


def test_every_number_lies_beside_the_page(made: InserterPages) -> None:
    stored = json.loads((made.pages[0].parent / "results.json").read_text("utf-8"))
    (record,) = stored["results"]
    assert record["n_units"] > 0
    assert record["conf_low"] <= record["estimate"] <= record["conf_high"]
    assert stored["made"]["audience"] == "clinic"


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_accessibility_audit_finds_no_violation(
    made: InserterPages, chromium: str, scheme: str
) -> None:
    for page in made.pages[:2]:
        assert audited(chromium, page.as_uri(), scheme) == []


def test_an_unknown_inserter_is_refused_and_nothing_is_written(demo: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="is not a recorded inserter"):
        make_inserter_pages(*given(demo), tmp_path, only="nobody")
    assert list(tmp_path.iterdir()) == []


def test_the_command_tells_where_they_are_and_not_what_they_say(
    demo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study, plan, quarter = given(demo)
    words = ["inserters", "--study", study, "--plan", plan, "--quarter", quarter]
    words += ["--out", tmp_path, "--inserter", "I01"]
    assert main([str(word) for word in words]) == 0
    told = capsys.readouterr().out
    assert "closed to other users" in told
    assert "failed" not in told
    assert (tmp_path / str(quarter) / "inserters" / "inserter-i01" / "inserter.html").is_file()
