"""The declared dictionary of complications, and the terms of the device-study standard.

A clinic's own codes are mapped to these names in `sources.toml` (`codes` of the column
`category`); a code without a name here is set aside at intake, with its line. Severity (how
strong) is not seriousness (what it led to), and a device deficiency without harm is no adverse
event.

Sources: terms by ISO 14155:2020 (seriousness of chronic disease from memory); relatedness by
MDCG 2020-10/1 (from memory); grades by CTCAE version 5.0 (2017).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Group = Literal["implanted", "adhesive", "procedure", "metabolic", "device deficiency"]
GROUPS: Final[tuple[Group, ...]] = (
    "implanted", "adhesive", "procedure", "metabolic", "device deficiency",
)  # fmt: skip


@dataclass(frozen=True)
class HarmTerm:
    """One name of the dictionary, the group it is listed under, and what it means."""

    name: str
    group: Group
    meaning: str


HARM_TERMS: Final = (
    HarmTerm("site infection", "implanted", "infection where a sensor is or was, any treatment"),
    HarmTerm("skin discolouration", "implanted", "lasting change of colour over the sensor"),
    HarmTerm("skin thinning or atrophy", "implanted", "thinned skin or lost fat over the sensor"),
    HarmTerm("hypertrophic scar", "implanted", "raised scar of the placement or the removal"),
    HarmTerm("pain", "implanted", "pain or discomfort beyond what was expected"),
    HarmTerm("migration", "implanted", "the sensor lies elsewhere than it was placed"),
    HarmTerm("fracture or retained fragment", "implanted", "the sensor broke, or a part stayed"),
    HarmTerm(
        "reaction to the adhesive of the transmitter", "implanted",
        "skin reaction to the patch of the transmitter worn over the sensor",
    ),
    HarmTerm("allergic reaction", "implanted", "allergy to a material of the sensor"),
    HarmTerm("nerve symptom", "implanted", "numbness, tingling or weakness near the sensor"),
    HarmTerm("removed for imaging", "implanted", "taken out for an image or an operation"),
    HarmTerm("contact dermatitis", "adhesive", "irritant or allergic eczema under the patch"),
    HarmTerm("itching", "adhesive", "itching under the patch"),
    HarmTerm("erythema", "adhesive", "redness under the patch that lasts"),
    HarmTerm("induration", "adhesive", "hardened skin under the patch"),
    HarmTerm("bleeding at insertion", "adhesive", "bleeding or bruise where the wire went in"),
    HarmTerm("retained wire", "adhesive", "a piece of the wire stayed in the skin"),
    HarmTerm("skin reaction", "adhesive", "a reaction of the skin that was not told more closely"),
    HarmTerm("bruising", "procedure", "bleeding, haematoma or bruise after a procedure"),
    HarmTerm("removal not achieved", "procedure", "the sensor could not be removed at an attempt"),
    HarmTerm("second incision", "procedure", "a further incision was needed"),
    HarmTerm("wound opening", "procedure", "the wound opened again, or a stitch was needed later"),
    HarmTerm("vasovagal reaction", "procedure", "fainting or near fainting"),
    HarmTerm("anaesthetic or sedation event", "procedure", "reaction to what numbed or sedated"),
    HarmTerm(
        "severe hypoglycaemia", "metabolic",
        "altered state that needed another person's help, at any glucose (level 3)",
    ),
    HarmTerm(
        "diabetic ketoacidosis", "metabolic",
        "2024 consensus: ketones and acidosis with glucose of 200 mg/dL or known diabetes",
    ),
    HarmTerm("hyperosmolar state", "metabolic", "2024 consensus: glucose of 600 mg/dL and more"),
    HarmTerm("early replacement alert", "device deficiency", "the system asked for a new sensor"),
    HarmTerm("sensor error", "device deficiency", "wrong or no values, use error included"),
    HarmTerm("signal loss", "device deficiency", "no data although worn"),
    HarmTerm("failed start", "device deficiency", "the sensor never gave a value"),
    HarmTerm("premature detachment", "device deficiency", "a patch came off early"),
    HarmTerm("labelling or packaging", "device deficiency", "wrong or missing information"),
    HarmTerm("other", "implanted", "none of these; to be told in the clinic's own record"),
)  # fmt: skip
HARM_NAMES: Final = tuple(term.name for term in HARM_TERMS)
GROUP_OF: Final = {term.name: term.group for term in HARM_TERMS}

SERIOUSNESS: Final = (
    "led to death",
    "was life-threatening",
    "left a permanent impairment, or a chronic disease",
    "led to an in-patient stay or prolonged one (not one planned before, without deterioration)",
    "needed an intervention to prevent one of these",
    "led to fetal distress, fetal death or an anomaly at birth",
)
SEVERITY_OF_GRADE: Final = {1: "mild", 2: "moderate", 3: "severe", 4: "severe", 5: "severe"}
# Most specific class first; a class is told only where its criteria are known.
CLASSES: Final = {
    "USADE": "serious adverse device effect not foreseen in the risk file",
    "ASADE": "serious adverse device effect foreseen in the risk file",
    "SADE": "serious adverse device effect; whether foreseen is not declared",
    "ADE": "adverse event related to device or procedure, not serious",
    "SAE": "serious adverse event, not related",
    "AE": "adverse event, neither related nor serious",
    "DD": "device deficiency without harm",
}


def event_class(
    *, related: bool, serious: bool, deficiency_only: bool, foreseen: bool | None = None
) -> str:
    """Return the most specific class of an event by the device-study standard.

    Parameters
    ----------
    related : bool
        To the device or its procedure: possible, probable or causal.
    serious : bool
        Meets a criterion of `SERIOUSNESS`; severity alone never does.
    deficiency_only : bool
        Nothing untoward happened to a person.
    foreseen : bool or None
        Whether nature, severity and frequency stand in the device's risk file; None where nobody
        declared it.

    References
    ----------
    .. [1] ISO 14155:2020, Clinical investigation of medical devices for human subjects, section 3.

    Examples
    --------
    >>> event_class(related=True, serious=True, deficiency_only=False, foreseen=False)
    'USADE'
    >>> event_class(related=False, serious=True, deficiency_only=False)
    'SAE'
    """
    if deficiency_only:
        return "DD"
    if not serious:
        return "ADE" if related else "AE"
    if not related:
        return "SAE"
    return {True: "ASADE", False: "USADE", None: "SADE"}[foreseen]


def severity_grade(
    *,
    died: bool = False,
    life_threatening: bool = False,
    admitted_or_disabled: bool = False,
    limits_self_care: bool = False,
    treated_locally: bool = False,
    limits_instrumental_activities: bool = False,
) -> int:
    """Return the general grade of severity, 1 to 5.

    Instrumental activities are those of running a household (cooking, shopping); self-care is
    washing, dressing, eating.

    References
    ----------
    .. [1] Common Terminology Criteria for Adverse Events, version 5.0, 27 November 2017.

    Examples
    --------
    >>> severity_grade(), severity_grade(limits_instrumental_activities=True)
    (1, 2)
    """
    if died:
        return 5
    if life_threatening:
        return 4
    if admitted_or_disabled or limits_self_care:
        return 3
    return 2 if treated_locally or limits_instrumental_activities else 1
