"""The palette stays apart for readers who see colours differently, and in grey print.

Distances are CIEDE2000 differences of CIELAB (D65) values: Sharma G, Wu W, Dalal EN. Color Res
Appl 2005;30:21-30. Colour blindness is simulated by the matrices of full severity of Machado GM,
Oliveira MM, Fernandes LAF. IEEE Trans Vis Comput Graph 2009;15:1291-1298, on linear sRGB (matrices
and the constants of sRGB, IEC 61966-2-1, from memory).
"""

from itertools import combinations, pairwise, permutations

import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_rgb

from outcomes.figures.style import ACCENT, FAINT, INK, LOOKS, SHADES, cohort_order

SEEN = {
    "trichromacy": np.eye(3),
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
}
XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750],
     [0.0193339, 0.1191920, 0.9503041]]
)  # fmt: skip
FEWEST = 20  # CIEDE2000; a just noticeable difference is about 1
FEWEST_GREY = 25  # steps of lightness L*, of 100
FEWEST_NEIGHBOURS = 10  # of parts of one whole, which are labelled where they lie


def lab(colour, seen="trichromacy"):
    """Return L*, a*, b* of a colour as a reader sees it."""
    values = np.array(to_rgb(colour))
    linear = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    xyz = XYZ @ np.clip(np.array(SEEN[seen]) @ linear, 0, 1) / XYZ.sum(axis=1)
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def distance(first, second):
    """Return the CIEDE2000 difference of two L*, a*, b* triples."""
    (l1, a1, b1), (l2, a2, b2) = first, second
    mean_c = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2
    g = 0.5 * (1 - np.sqrt(mean_c**7 / (mean_c**7 + 25**7)))
    a1, a2 = (1 + g) * a1, (1 + g) * a2
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = (np.degrees(np.arctan2(b, a)) % 360 for a, b in ((a1, b1), (a2, b2)))
    turn = h2 - h1
    turn += -360 if turn > 180 else 360 if turn < -180 else 0
    mean_h = (h1 + h2 + (0 if abs(h1 - h2) <= 180 else 360 if h1 + h2 < 360 else -360)) / 2
    d_l, d_c = l2 - l1, c2 - c1
    if c1 * c2 == 0:
        turn, mean_h = 0, h1 + h2
    d_h = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn) / 2)
    mean_l, mean_c = (l1 + l2) / 2, (c1 + c2) / 2
    t = 1 - 0.17 * np.cos(np.radians(mean_h - 30)) + 0.24 * np.cos(np.radians(2 * mean_h))
    t += 0.32 * np.cos(np.radians(3 * mean_h + 6)) - 0.20 * np.cos(np.radians(4 * mean_h - 63))
    s_l = 1 + 0.015 * (mean_l - 50) ** 2 / np.sqrt(20 + (mean_l - 50) ** 2)
    s_c, s_h = 1 + 0.045 * mean_c, 1 + 0.015 * mean_c * t
    rotation = -2 * np.sqrt(mean_c**7 / (mean_c**7 + 25**7))
    rotation *= np.sin(np.radians(60 * np.exp(-(((mean_h - 275) / 25) ** 2))))
    parts = d_l / s_l, d_c / s_c, d_h / s_h
    return np.sqrt(sum(p * p for p in parts) + rotation * parts[1] * parts[2])


def test_the_distance_is_the_published_one():
    # Rows 1, 7, 17 and 25 of table 1 in Sharma et al. (from memory).
    known = [
        ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
        ((50, 0, 0), (50, -1, 2), 2.3669),
        ((50, 2.5, 0), (73, 25, -18), 27.1492),
        ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ]
    for first, second, expected in known:
        assert distance(first, second) == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize("seen", SEEN)
def test_grey_stays_grey_to_every_reader(seen):
    for grey in ("#000000", "#808080", "#ffffff"):
        assert lab(grey, seen) == pytest.approx(lab(grey), abs=0.01)


@pytest.mark.parametrize("seen", SEEN)
def test_cohorts_and_the_accent_stay_apart_for_every_reader(seen):
    used = {name: lab(shown.colour, seen) for name, shown in LOOKS.items()}
    used["needs attention"] = lab(ACCENT, seen)
    near = {
        pair: round(float(distance(used[pair[0]], used[pair[1]])), 1)
        for pair in combinations(used, 2)
    }
    assert {pair: d for pair, d in near.items() if d < FEWEST} == {}


def test_the_two_cohorts_stay_apart_in_grey():
    dark, light = (lab(LOOKS[name].colour)[0] for name in ("implanted", "adhesive"))
    assert abs(dark - light) >= FEWEST_GREY


def test_a_pair_that_a_colour_blind_reader_confuses_would_be_found():
    pair = "#c0504d", "#5b7f3a"  # red and green of one lightness
    assert distance(*map(lab, pair)) > FEWEST
    assert distance(*(lab(colour, "deuteranopia") for colour in pair)) < FEWEST


def test_every_cohort_has_a_line_and_a_marker_of_its_own():
    for cue in ("colour", "line", "marker"):
        assert len({getattr(shown, cue) for shown in LOOKS.values()}) == len(LOOKS)


def test_order_and_looks_do_not_follow_the_rows(pytestconfig):
    cases = pytestconfig.rootpath / "tests" / "data" / "cases"
    names = pd.read_csv(cases / "cohorts_in_mixed_order.csv")["cohort"].fillna("not recorded")
    for order in permutations(names):
        assert cohort_order(order) == ["implanted", "adhesive", "not recorded"]
    assert cohort_order(names.loc[names == "adhesive"]) == ["adhesive"]


@pytest.mark.parametrize("seen", SEEN)
def test_neighbouring_parts_of_a_whole_stay_apart(seen):
    shades = [lab(shade, seen) for shade in SHADES]
    near = [round(float(distance(*pair)), 1) for pair in pairwise(shades)]
    assert min(near) >= FEWEST_NEIGHBOURS, near


@pytest.mark.parametrize("colour", [INK, ACCENT, LOOKS["implanted"].colour])
def test_what_is_written_can_be_read_on_white(colour):
    # Contrast ratio of Web Content Accessibility Guidelines 2.2, 1.4.3: 4.5 for text.
    values = np.array(to_rgb(colour))
    linear = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    assert 1.05 / (linear @ [0.2126, 0.7152, 0.0722] + 0.05) >= 4.5


def test_lines_of_the_frame_are_seen_on_white():
    values = np.array(to_rgb(FAINT))
    linear = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    assert 1.05 / (linear @ [0.2126, 0.7152, 0.0722] + 0.05) >= 3  # 1.4.11, for graphics
