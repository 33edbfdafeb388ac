"""The two cohorts stay apart: for colour-blind readers, in grey print, and by a second cue."""

import itertools

import numpy as np
import pandas as pd
import pytest

from outcomes.figures.style import ACCENT, LOOKS, cohort_order, look

# Linear-RGB matrices at full severity, published in Machado GM, Oliveira MM, Fernandes LAF. IEEE
# Trans Vis Comput Graph 2009;15:1291-1298, table 1 (severity 1.0); values from memory. Each row
# adds to 1, so that greys stay grey, which the first test checks.
SIMULATED = {
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
    "usual sight": np.eye(3),
}
# Linear RGB to XYZ under D65 (IEC 61966-2-1), and the white point that its rows add to.
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
# In units of the 1976 distance (CIE L*a*b*), in which about 2.3 is just noticeable; the bar in
# grey is a difference in lightness, of which white and black are 100 apart.
LEAST_DISTANCE, LEAST_GREY = 40.0, 25.0


def linear(colour):
    value = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def lab(rgb):
    ratio = TO_XYZ @ np.clip(rgb, 0, 1) / TO_XYZ.sum(axis=1)
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def distance(one, other, sight):
    first, second = (lab(np.array(SIMULATED[sight]) @ linear(c)) for c in (one, other))
    return float(np.linalg.norm(first - second))


@pytest.mark.parametrize("sight", SIMULATED)
def test_a_simulation_leaves_greys_alone(sight):
    assert np.array(SIMULATED[sight]).sum(axis=1) == pytest.approx(1, abs=2e-6)


def test_the_distance_knows_black_white_and_red():
    # sRGB red is L* 53.24, a* 80.09, b* 67.20 under D65 (from memory of published tables).
    assert lab(linear("#ffffff")) == pytest.approx([100, 0, 0], abs=0.01)
    assert lab(linear("#ff0000")) == pytest.approx([53.24, 80.09, 67.20], abs=0.05)
    assert distance("#000000", "#ffffff", "usual sight") == pytest.approx(100, abs=0.01)


@pytest.mark.parametrize("sight", SIMULATED)
def test_the_two_cohorts_differ_in_colour_for_every_sight(sight):
    assert distance(look("implanted").colour, look("adhesive").colour, sight) >= LEAST_DISTANCE


def test_the_two_cohorts_differ_in_grey_print():
    light = [lab(linear(look(name).colour))[0] for name in ("implanted", "adhesive")]
    assert abs(light[0] - light[1]) >= LEAST_GREY


def test_a_pair_that_a_colour_blind_reader_confuses_would_be_found():
    # Red against green of one lightness: far apart for usual sight, near for deuteranopia.
    assert distance("#c0504d", "#5b7f3a", "usual sight") > LEAST_DISTANCE
    assert distance("#c0504d", "#5b7f3a", "deuteranopia") < LEAST_DISTANCE


def test_every_cohort_has_a_line_and_a_marker_of_its_own():
    for cue in ("colour", "line", "marker"):
        cues = [getattr(shown, cue) for shown in LOOKS.values()]
        assert len(set(cues)) == len(cues)


def test_the_accent_is_no_cohort_and_differs_from_each():
    for shown, sight in itertools.product(LOOKS.values(), ("usual sight", "deuteranopia")):
        assert distance(ACCENT, shown.colour, sight) > 10


def test_order_and_looks_do_not_follow_the_rows(pytestconfig):
    rows = pd.read_csv(
        pytestconfig.rootpath / "tests" / "data" / "cases" / "cohorts_in_mixed_order.csv"
    )
    names = rows["cohort"].fillna("not recorded")
    for order in itertools.permutations(names):
        assert cohort_order(order) == ["implanted", "adhesive", "not recorded"]
    assert cohort_order(names.loc[names == "adhesive"]) == ["adhesive"]
