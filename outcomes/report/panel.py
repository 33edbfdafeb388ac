"""The panel of `explore`: a few controls around the looks, for JupyterLab without a network."""

from __future__ import annotations

import re
from importlib import import_module
from importlib.metadata import requires
from importlib.util import find_spec
from typing import Any

from outcomes.cohorts.build import CohortSet
from outcomes.errors import UsageError
from outcomes.report.exploring import BOTH, OUTCOMES, Explorer
from outcomes.tables.declared import KINDS

# The lab extra is optional: this module can be imported without it, and says what is missing.
widgets: Any = import_module("ipywidgets") if find_spec("ipywidgets") else None
NOT_SPLIT = "not split"


def install_line() -> str:
    """Return the one command that installs what exploring needs, as the package declares it."""
    declared = [text.partition(";") for text in requires("outcomes") or []]
    wanted = {name.strip() for name, _, when in declared if re.search(r"extra == .lab.", when)}
    return "python -m pip install " + " ".join(f'"{name}"' for name in sorted(wanted))


def explore(cohorts: CohortSet) -> Any:
    """Return a panel for looking around: outcome, cohort, covariate and horizon.

    Exploration is not a finding. Every change of a control is one look, and the log of looks
    beside the study is stated in the next report (see `looks`). Each look can be typed as one
    line too, see `look_at`.

    Parameters
    ----------
    cohorts : CohortSet

    Returns
    -------
    ipywidgets.VBox
        It shows itself in a notebook.

    Raises
    ------
    UsageError
        The lab extra is not installed; the message holds the line that installs it.
    """
    if widgets is None:
        raise UsageError(f"Exploring needs JupyterLab and its controls. Type: {install_line()}")
    return Panel(Explorer(cohorts)).box


class Panel:
    """Controls and what they show; one look whenever a control is set."""

    def __init__(self, explorer: Explorer) -> None:
        self.explorer = explorer
        wide = {"description_width": "80px"}
        self.outcome = widgets.Dropdown(options=list(OUTCOMES), description="Outcome", style=wide)
        self.cohort = widgets.Dropdown(options=[BOTH, *KINDS], description="Cohort", style=wide)
        self.covariate = widgets.Dropdown(
            options=[NOT_SPLIT, *explorer.covariates()], description="Covariate", style=wide
        )
        self.horizon = widgets.SelectionSlider(
            options=["-"], description="Horizon", continuous_update=False, style=wide,
            layout={"width": "480px"},
        )  # fmt: skip
        self.shown = widgets.HTML()
        controls = [self.outcome, self.cohort, self.covariate, self.horizon]
        self.box = widgets.VBox([*controls, self.shown])
        self._setting = False
        self._new_outcome()
        self.outcome.observe(self._new_outcome, "value")
        for control in controls[1:]:
            control.observe(self._look, "value")

    def _new_outcome(self, _: Any = None) -> None:
        """Offer the horizons of the outcome; setting them is no look of its own."""
        self._setting = True
        self.horizon.options = self.explorer.horizons(self.outcome.value)
        self.horizon.value = self.explorer.default_horizon(self.outcome.value)
        self._setting = False
        self._look()

    def _look(self, _: Any = None) -> None:
        if self._setting:
            return
        split = self.covariate.value
        found = self.explorer.look(
            self.outcome.value,
            cohort=self.cohort.value,
            covariate=None if split == NOT_SPLIT else split,
            horizon=self.horizon.value,
        )
        self.shown.value = found._repr_html_()
