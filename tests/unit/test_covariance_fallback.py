"""When a covariance structure is given up: by gradient and two starts, never by a flag alone."""

from dataclasses import replace

import pytest

from outcomes.errors import EstimationError
from outcomes.statistics import reml, repeated_measures
from outcomes.statistics.repeated_measures import FALLBACKS
from outcomes.statistics.visit_means import visit_means
from tests.unit.test_repeated_measures_edges import ROLES, made_up


def fitted(n: int = 60):
    return visit_means(made_up(n), group="arm", reference="a", **ROLES)


def test_the_order_of_the_structures_is_fixed():
    assert FALLBACKS == ("unstructured", "heterogeneous compound symmetry", "random intercept")
    assert fitted().model.structure == FALLBACKS[0]


def test_an_accepted_fit_has_no_gradient_left():
    search = fitted().model._fit
    assert search.converged
    assert search.decrement <= reml._ROUNDING * max(1.0, abs(search.at.value))


def test_a_search_that_stops_before_the_top_is_not_accepted(monkeypatch):
    monkeypatch.setattr(reml, "_MOST_STEPS", 0)
    with pytest.raises(EstimationError) as told:
        fitted()
    for name in FALLBACKS:
        assert f"The {name} covariance was given up: the search found no maximum." in str(
            told.value
        )


@pytest.mark.parametrize("names", [FALLBACKS[:1], FALLBACKS[:2]])
def test_two_starts_that_disagree_give_a_structure_up_by_name(monkeypatch, names):
    real, seen = repeated_measures.climb, []

    def climb(data, structure, start, **options):
        found = real(data, structure, start, **options)
        seen.append(structure.name)
        if structure.name in names and seen.count(structure.name) == 2:  # the second start
            return replace(found, at=replace(found.at, value=found.at.value + 1))
        return found

    monkeypatch.setattr(repeated_measures, "climb", climb)
    result = fitted()
    assert result.model.structure == FALLBACKS[len(names)]
    for name in names:
        because = "two starting values ended at different answers"
        assert f"The {name} covariance was given up: {because}." in result.model.notes
