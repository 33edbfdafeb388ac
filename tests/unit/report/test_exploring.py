"""Looking around: the measures' own numbers, a banner, a log that a report states, own copies."""

import json
import shutil
import time

import nbformat
import pytest

import outcomes as oc
from outcomes.errors import UsageError
from outcomes.report import panel
from outcomes.report.exploring import HIDDEN, OUTCOMES, SMALLEST_GROUP, Explorer
from outcomes.report.looks import log_place, read_looks
from outcomes.report.workbench import QUIET, copy_notebook, lab_command


@pytest.fixture(scope="module")
def cohorts(demo, tmp_path_factory):
    # A study of its own: looks are logged beside it.
    folder = tmp_path_factory.mktemp("explored")
    shutil.copytree(demo / "study", folder / "study")
    if (demo / ".study-remembered").exists():
        shutil.copytree(demo / ".study-remembered", folder / ".study-remembered")
    plan = oc.read_plan(demo / "clinic" / "plan.toml")
    return oc.build_cohorts(oc.open_study(folder / "study"), plan, quarter="2026-Q3")


@pytest.fixture(scope="module")
def explorer(cohorts):
    return Explorer(cohorts)


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_a_look_shows_the_numbers_of_the_measure(explorer, cohorts, outcome):
    look = explorer.look(outcome)
    known = getattr(oc, outcome)(cohorts).records()
    shown = look.records()
    assert [record for record in shown if record not in known] == []
    assert sorted(look.table["cohort"]) == ["adhesive", "implanted"]
    assert look.table["estimate"].notna().all()


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_a_look_carries_its_banner_n_and_a_text_for_its_figure(explorer, outcome):
    look = explorer.look(outcome, covariate="sex")
    assert "Exploration, not a finding" in look._repr_html_()
    assert "Exploration, not a finding" in repr(look)
    assert look.alt == look.finding
    sizes = look.table["n_patients"].dropna()
    assert all(str(n) in look.finding for n in sizes)


def test_groups_of_very_few_patients_are_not_shown(explorer):
    table = explorer.look("time_in_range", covariate="site").table
    assert (table["note"] == HIDDEN).any()
    assert table.loc[table["note"] == HIDDEN, ["estimate", "n_patients"]].isna().all(axis=None)
    assert (table["n_patients"].dropna() >= SMALLEST_GROUP).all()


def test_a_second_look_answers_in_under_a_second(explorer):
    explorer.look("time_in_range")
    began = time.process_time()
    explorer.look("time_in_range", covariate="sex", horizon="period 2")
    explorer.look("hba1c_change", covariate="sex")
    assert (time.process_time() - began) / 2 < 1


def test_the_scale_stays_while_the_horizon_moves(explorer):
    horizons = [name for name in explorer.horizons("time_in_range") if name.startswith("period")]
    looks = [explorer.look("time_in_range", horizon=name) for name in horizons[1:4]]
    assert len({look.plot().get_xlim() for look in looks}) == 1
    assert len({look.finding for look in looks}) == 3


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"outcome": "time_in_rnage"}, "Did you mean 'time_in_range'"),
        ({"outcome": "hba1c_change", "cohort": "implnted"}, "Did you mean 'implanted'"),
        ({"outcome": "hba1c_change", "covariate": "sexx"}, "Did you mean 'sex'"),
        ({"outcome": "hba1c_change", "horizon": "month 7"}, "month 6"),
    ],
)
def test_an_unknown_name_is_answered_with_the_known_ones(explorer, given, told):
    with pytest.raises(UsageError, match=told):
        explorer.look(**given)


def test_each_look_is_logged_without_data_and_stated(cohorts, explorer):
    before = len(read_looks(cohorts.study))
    explorer.look("hba1c_change", cohort="implanted", covariate="sex", horizon="month 6")
    log = read_looks(cohorts.study)
    assert len(log) == before + 1
    assert log.iloc[-1][["outcome", "cohort", "covariate", "horizon"]].tolist() == [
        "hba1c_change", "implanted", "sex", "month 6",
    ]  # fmt: skip
    stated = oc.looks(cohorts)
    assert f"explored {before + 1} times" in stated.finding
    assert stated.table["looks"].sum() == before + 1


def test_a_log_that_cannot_be_read_or_written_stops_nothing(cohorts, demo, tmp_path):
    shutil.copytree(demo / "study", tmp_path / "study")
    study = oc.open_study(tmp_path / "study")
    fresh = oc.build_cohorts(study, cohorts.plan, quarter="2026-Q3")
    assert "0 looks" in oc.looks(fresh).finding
    log_place(study).write_text('not a look\n{"on": "2026-01-01"}\n')
    assert read_looks(study).empty
    log_place(study).unlink()
    log_place(study).mkdir()
    look = oc.look_at(fresh, "complications")
    assert "could not be written" in look.footnotes[-1]


def test_looks_before_the_plan_was_locked_are_told_apart(cohorts, tmp_path, demo):
    shutil.copytree(demo / "study", tmp_path / "study")
    fresh = oc.build_cohorts(oc.open_study(tmp_path / "study"), cohorts.plan, quarter="2026-Q3")
    keys = ("study", "plan", "quarter", "outcome", "cohort", "covariate", "horizon")
    locked = cohorts.plan.plan.locked_on.isoformat()
    days = ("1999-01-01", "1999-01-01", locked, "2999-01-01")
    lines = [json.dumps({"on": day, **dict.fromkeys(keys, "x")}) for day in days]
    log_place(fresh.study).write_text("\n".join(lines))
    assert "4 times on 3 days" in oc.looks(fresh).finding
    assert "2 of the looks came before the plan was locked" in oc.looks(fresh).finding


def test_the_panel_looks_once_for_each_control_that_is_set(explorer, cohorts):
    shown = panel.Panel(explorer)
    before = len(read_looks(cohorts.study))
    shown.outcome.value = "time_in_range"
    shown.horizon.value = "period 3"
    shown.covariate.value = "sex"
    log = read_looks(cohorts.study)
    assert len(log) == before + 3
    assert log.iloc[-1][["outcome", "covariate", "horizon"]].tolist() == [
        "time_in_range", "sex", "period 3",
    ]  # fmt: skip
    assert "period 3" in shown.shown.value


def test_without_the_lab_extra_one_line_says_what_to_install(cohorts, monkeypatch):
    monkeypatch.setattr(panel, "widgets", None)
    with pytest.raises(UsageError) as told:
        oc.explore(cohorts)
    assert 'pip install "ipywidgets>=' in str(told.value)
    assert '"jupyterlab>=' in str(told.value)


def test_a_copy_has_its_parameters_and_replaces_no_earlier_copy(tmp_path):
    given = {"study": tmp_path / 'a "study"', "plan": tmp_path / "p", "quarter": ""}
    first = copy_notebook("explore_cohorts", given, tmp_path)
    first.write_text("somebody's work")
    second = copy_notebook("explore_cohorts", given, tmp_path)
    assert (first.name, second.name) == ("explore_cohorts.ipynb", "explore_cohorts_2.ipynb")
    assert first.read_text() == "somebody's work"
    scope = {}
    exec(nbformat.read(second, as_version=4).cells[0].source, scope)
    assert (scope["study"], scope["quarter"]) == (str(given["study"]), "")


def test_jupyterlab_is_told_to_ask_nobody_outside(tmp_path):
    command = lab_command(tmp_path, tmp_path / "x.ipynb")
    assert set(QUIET) <= set(command)
    assert "--ServerApp.ip=127.0.0.1" in command
