"""Outcomes research for diabetes clinics that place implanted long-life glucose sensors.

A *study* is a folder of checked tables made from a clinic's exports; a *plan* holds every rule
and threshold. `build_cohorts` finds who is new to a *kind* of sensor (implanted or adhesive), each
with an *index date*. A measure takes the cohorts and returns a *result*, which shows itself:
table, finding, figure.

>>> import outcomes as oc
>>> oc.settings("hba1c").loc[0, "setting"]
'baseline_from_day'

Open and describe
    `open_study`, `read_plan`, `build_cohorts`, `settings`
The four questions
    `hba1c_change`, `time_in_range`, `sensor_survival`, `complications`
More about HbA1c and time in range
    `hba1c_visits`, `hba1c_sensitivity`, `hba1c_by_baseline`, `trajectories`, `targets`,
    `other_treatments`, `precision`, `who`, `patient_lines`
More about harm
    `harm_over_time`, `harm_contrast`, `harm_models`, `harm_capture`
The sensors and their data
    `data_sufficiency`, `day_shape`, `sensor_wear`, `sensor_agreement`
What became of sensors, and what is to come
    `sensor_states`, `persistence`, `overdue`, `projection`, `sensor_units`
Implanted against adhesive
    `emulated_trial`, `compare`, `doubts`, `subgroups`, `switchers`
The programme over time
    `programme_watch`, `attention`, `watched`, `control_chart`, `action_list`, `sites`,
    `learning_curves`, `inserter_page`
Exploring
    `explore`, `look_at`, `looks`
About a report
    `answers`, `accounting`, `set_aside`, `plan_settings`, `provenance`, `changes`, `audience`
    `plain_answers`, `only`, `manuscript`
"""

from importlib import import_module
from typing import Any

_HOME = {
    "open_study": "outcomes.tables.study",
    "read_plan": "outcomes.plan.analysis",
    "build_cohorts": "outcomes.cohorts.build",
    "hba1c_change": "outcomes.measures.hba1c_change",
    "time_in_range": "outcomes.measures.time_in_range",
    "sensor_survival": "outcomes.measures.sensor_survival",
    "complications": "outcomes.measures.complications",
    "hba1c_visits": "outcomes.measures.hba1c_visits",
    "hba1c_sensitivity": "outcomes.measures.hba1c_sensitivity",
    "hba1c_by_baseline": "outcomes.measures.hba1c_by_baseline",
    "trajectories": "outcomes.measures.trajectories",
    "targets": "outcomes.measures.targets",
    "other_treatments": "outcomes.measures.other_treatments",
    "precision": "outcomes.measures.precision",
    "who": "outcomes.measures.who",
    "patient_lines": "outcomes.measures.patient_lines",
    "harm_over_time": "outcomes.measures.harm_over_time",
    "harm_contrast": "outcomes.measures.harm_contrast",
    "harm_models": "outcomes.measures.harm_models",
    "harm_capture": "outcomes.measures.harm_capture",
    "data_sufficiency": "outcomes.measures.data_sufficiency",
    "day_shape": "outcomes.measures.day_shape",
    "sensor_wear": "outcomes.measures.sensor_wear",
    "sensor_agreement": "outcomes.measures.sensor_agreement",
    "sensor_states": "outcomes.measures.sensor_states",
    "persistence": "outcomes.measures.persistence",
    "overdue": "outcomes.measures.persistence",
    "projection": "outcomes.watch.projection",
    "sensor_units": "outcomes.watch.sensor_units",
    "emulated_trial": "outcomes.comparison.protocol",
    "compare": "outcomes.comparison.compare",
    "doubts": "outcomes.comparison.doubt",
    "subgroups": "outcomes.comparison.subgroups",
    "switchers": "outcomes.comparison.switchers",
    "explore": "outcomes.report.panel",
    "look_at": "outcomes.report.exploring",
    "looks": "outcomes.report.looks",
    "programme_watch": "outcomes.watch.programme",
    "attention": "outcomes.watch.attention",
    "watched": "outcomes.watch.attention",
    "control_chart": "outcomes.watch.charts",
    "action_list": "outcomes.watch.actions",
    "sites": "outcomes.watch.places",
    "learning_curves": "outcomes.watch.learning",
    "inserter_page": "outcomes.watch.inserter_page",
    "answers": "outcomes.report.sections",
    "accounting": "outcomes.report.sections",
    "set_aside": "outcomes.report.sections",
    "plan_settings": "outcomes.report.sections",
    "provenance": "outcomes.report.sections",
    "changes": "outcomes.report.changes",
    "audience": "outcomes.report.disclosure",
    "plain_answers": "outcomes.report.brief",
    "only": "outcomes.report.brief",
    "manuscript": "outcomes.report.manuscript",
}
_RENAMED = {"settings": ("outcomes.plan.analysis", "settings_table")}

__all__ = [*_HOME, *_RENAMED]


def __getattr__(name: str) -> Any:
    # Names are loaded when first used, so that `outcomes --help` imports nothing scientific.
    module, attribute = _RENAMED.get(name, (_HOME.get(name, ""), name))
    if not module:
        known = ", ".join(__dir__())
        raise AttributeError(f"outcomes has no name '{name}'. Known: {known}.")
    return getattr(import_module(module), attribute)


def __dir__() -> list[str]:
    return sorted(__all__)
