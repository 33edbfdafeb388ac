"""The known numbers agree with a plain recount of the written files."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

from tests.unit.synthetic.invented import known, rows_of


def test_rows_of_every_file_are_as_told(small_clinic: Path) -> None:
    told = known(small_clinic)["rows_by_file"]
    files = [path for path in (small_clinic / "exports").rglob("*") if path.is_file()]
    counted = {path.relative_to(small_clinic).as_posix(): len(rows_of(path)) for path in files}
    assert counted == told


def test_rows_are_kept_set_aside_or_repeats(small_clinic: Path) -> None:
    for table in known(small_clinic)["tables"].values():
        others = table["set_aside_in_all"] + table["exact_repeats"] + table["without_a_value"]
        assert table["rows"] == table["kept"] + others


def test_whole_rows_that_stand_twice_are_the_planted_repeats(small_clinic: Path) -> None:
    for name in known(small_clinic)["rows_by_file"]:
        rows = Counter(map(tuple, rows_of(small_clinic / name)))
        planted = [p for p in known(small_clinic)["planted"] if p["file"] == name]
        told = sum(p.get("rows", 1) for p in planted if p["kind"].startswith("exact repeat"))
        assert sum(n - 1 for n in rows.values()) == told, name


def test_every_planted_line_is_where_it_is_told(small_clinic: Path) -> None:
    personen = small_clinic / "exports/register/personen.csv"
    lines = personen.read_text(encoding="cp1252").splitlines()
    planted = [p for p in known(small_clinic)["planted"] if p["file"].endswith("personen.csv")]
    by_kind = {p["kind"]: lines[p["line"] - 1] for p in planted}
    assert "Typ 9" in by_kind["unknown code"]
    assert by_kind["no patient id"].startswith(";")
    assert "31.02.2025" in by_kind["impossible date"]


def test_words_beyond_a_limit_are_as_told(small_clinic: Path) -> None:
    told = known(small_clinic)["readings_beyond_a_limit"]
    cloud = Counter(row[3] for row in rows_of(small_clinic / "exports/implant_cloud/values.csv"))
    centre = Counter(
        row[2]
        for path in (small_clinic / "exports/wear_portal/centre").iterdir()
        for row in rows_of(path)
    )
    satellites = Counter(
        row[1]
        for path in (small_clinic / "exports/wear_portal/satellites").iterdir()
        for row in rows_of(path)
    )
    repeated = known(small_clinic)["words_beyond_in_repeats"]
    assert cloud["HIGH"] == told["implanted above"] + repeated["implanted above"]
    assert cloud["LOW"] == told["implanted below"] + repeated["implanted below"]
    above = centre["HIGH"] + satellites["> 22,2"]
    assert above == told["adhesive above"] + repeated["adhesive above"]
    below = centre["LOW"] + satellites["< 2,2"]
    assert below == told["adhesive below"] + repeated["adhesive below"]


def test_no_draws_clash_but_the_planted_ones(small_clinic: Path) -> None:
    rows = rows_of(small_clinic / "exports/laboratory/central.csv")
    right = {tuple(row[1:]) for row in rows if not row[0].startswith("98")}  # 98...: wrong alone
    days = Counter((person, day, unit, place) for person, day, _, unit, place, _ in right)
    told = known(small_clinic)["tables"]["hba1c"]["set_aside"]["two draws on one day"]
    assert sum(n for key, n in days.items() if n > 1) == told


def test_ids_with_zeros_in_front_are_three_people(small_clinic: Path) -> None:
    ids = [row[0] for row in rows_of(small_clinic / "exports/register/personen.csv")]
    assert {"007", "07", "7"} <= set(ids)


def test_truth_is_written_beside_the_exports(small_clinic: Path) -> None:
    names = {path.name for path in (small_clinic / "truth").iterdir()}
    assert {"patients.csv", "sensors.csv", "decisions.csv", "scenario.json"} <= names
    scenario = json.loads((small_clinic / "truth/scenario.json").read_text())
    assert scenario["effect_implanted"] == -0.15
