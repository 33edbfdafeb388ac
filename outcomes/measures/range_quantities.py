"""What is told of the glucose ranges: quantities, their columns and units, and when."""

from __future__ import annotations

from typing import Final

SHARE: Final = "share 70-180"
IMPROVEMENT: Final = "improvement of share 70-180"
HOLD: Final = "hold of share 70-180"
HOLD_FROM: Final = 2  # the first period that a placement's own weeks do not touch

# Quantity: column of the summary, factor to the unit shown, unit.
QUANTITIES: Final[dict[str, tuple[str, float, str]]] = {
    SHARE: ("share_from_70_to_180", 100, "% of time"),
    "share below 54": ("share_below_54", 100, "% of time"),
    "share 54-69": ("share_from_54_to_69", 100, "% of time"),
    "share below 70": ("share_below_70", 100, "% of time"),
    "share 70-140": ("share_from_70_to_140", 100, "% of time"),
    "share 181-250": ("share_from_181_to_250", 100, "% of time"),
    "share above 180": ("share_above_180", 100, "% of time"),
    "share above 250": ("share_above_250", 100, "% of time"),
    "share 70-180, day 06-24": ("day_share_from_70_to_180", 100, "% of time"),
    "share 70-180, night 00-06": ("night_share_from_70_to_180", 100, "% of time"),
    "share below 70, night 00-06": ("night_share_below_70", 100, "% of time"),
    "mean glucose": ("mean_mg_dl", 1, "mg/dL"),
    "SD of glucose": ("sd_mg_dl", 1, "mg/dL"),
    "CV of glucose": ("cv_percent", 1, "%"),
    "glucose management indicator": ("gmi_percent", 1, "%"),
    "low blood glucose index": ("low_index", 1, "index"),
    "high blood glucose index": ("high_index", 1, "index"),
    "glycemia risk index": ("glycemia_risk_index", 1, "index"),
    "low episodes, level 1": ("low_1_per_week", 1, "episodes per week"),
    "median length of low episodes": ("low_1_median_minutes", 1, "minutes"),
    "low episodes, level 2": ("low_2_per_week", 1, "episodes per week"),
    "prolonged low episodes": ("low_1_prolonged_per_week", 1, "episodes per week"),
    "high episodes, level 1": ("high_1_per_week", 1, "episodes per week"),
    "high episodes, level 2": ("high_2_per_week", 1, "episodes per week"),
    "active share": ("active_share", 100, "% of time"),
}
# What a reader may ask of any period; the others are told where a reader looks: before the index
# date, in the first period, at the headline's, in the last, and for the quarter.
AT_EVERY_PERIOD: Final = frozenset(
    {
        SHARE, "share below 54", "share below 70", "share above 180", "share above 250",
        "CV of glucose", "glucose management indicator",
    }
)  # fmt: skip
# Made where the plan asks for them.
VARIABILITY: Final[dict[str, tuple[str, float, str]]] = {
    "mean of daily differences": ("modd_mg_dl", 1, "mg/dL"),
    "mean amplitude of excursions": ("mage_mg_dl", 1, "mg/dL"),
}
# Over a quarter these need more counting days than the shares.
LOWS_AND_CV: Final = frozenset(
    name
    for name, (column, *_) in QUANTITIES.items()
    if "below" in column or "54" in column or "low_" in column or column == "cv_percent"
)
# The pregnancy range is shown for periods that touch a pregnancy, and only there.
PREGNANCY: Final[dict[str, tuple[str, float, str]]] = {
    "share 63-140": ("share_from_63_to_140", 100, "% of time"),
    "share below 63": ("share_below_63", 100, "% of time"),
    "share 54-62": ("share_from_54_to_62", 100, "% of time"),
    "share below 54, in pregnancy": ("share_below_54", 100, "% of time"),
    "share above 140": ("share_above_140", 100, "% of time"),
}
# The ranges of the figure, in the order of glucose.
RANGES: Final = ("share below 54", "share 54-69", SHARE, "share 181-250", "share above 250")
WIDE: Final = {
    "below_70": "share below 70",
    "below_54": "share below 54",
    "above_180": "share above 180",
    "above_250": "share above 250",
    "cv": "CV of glucose",
    "gmi": "glucose management indicator",
}
