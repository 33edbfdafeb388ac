"""Paired and Welch changes against R 4.2 `t.test` on MASS::anorexia (Hand et al. 1993, no. 285)."""

import functools

import pytest

from outcomes.statistics.change import paired_change, welch_difference
from tests.reference.comparison_rows import data, expect, ids_of


@functools.cache
def values() -> dict[str, float]:
    weights = data("anorexia").assign(gain=lambda d: d["Postwt"] - d["Prewt"])
    out: dict[str, float] = {}
    for treat, part in weights.groupby("Treat"):
        change = paired_change(part, before="Prewt", after="Postwt")
        parts = {"mean": change.mean, "sd": change.sd, "p": change.p_value}
        parts |= {"lo": change.conf_low, "hi": change.conf_high}
        out |= {f"PAIR-{treat}-{name}": value for name, value in parts.items()}
    table = welch_difference(weights, outcome="gain", group="Treat", reference="FT")
    welch = table.set_index("group").loc["Cont"]
    names = {"diff": "estimate", "df": "df", "lo": "conf_low"}
    return out | {f"PAIR-welch-{name}": welch[column] for name, column in names.items()}


@pytest.mark.parametrize("check_id", ids_of("paired_change"))
def test_paired_change_agrees_with_the_reference(check_id):
    expect(check_id, values()[check_id])
