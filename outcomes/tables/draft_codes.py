"""Words for categories and units as clinics write them, and which of ours each one means.

Only a draft of `sources.toml` uses them, and only to propose.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from outcomes.tables.draft_words import Words, plain

UNIT_MEANS: Final[Words] = {
    "mg/dL": "mg/dl mgdl mg",
    "mmol/L": "mmol/l mmoll mmol",
    "%": "% percent prozent pct pourcent ngsp dcct procent porcentaje percento",
    "mmol/mol": "mmol/mol mmolmol ifcc",
}
# Our words for codes: table.column or column, our word, and how it may be written. A word of one
# to three letters must be the whole code; a longer one may be cut short, or go on.
CODES: Final[Mapping[str, Words]] = {
    "sex": {
        "female": "f w v female weiblich frau femme feminin femenino mujer femmina vrouw",
        "male": "m h male mannlich mann homme masculin masculino hombre maschio man",
        "other": "d x other divers autre otro altro anders",
        "unknown": "u ? unknown unbekannt inconnu desconocido sconosciuto onbekend",
    },
    "diabetes_type": {
        "type 1": "1 t1 t1d dm1 i type1 typ1 tipo1 dt1",
        "type 2": "2 t2 t2d dm2 ii type2 typ2 tipo2 dt2",
        "other": "3 other sonstige andere autre otro altro anders",
        "unknown": "9 u unknown unbekannt inconnu desconocido sconosciuto onbekend",
    },
    "sensor_use_before": {
        "none": "none no keine kein aucun ninguno nessuno geen",
        "adhesive": "adhesive klebe pflaster patch adhesif adhesivo adesivo pleister",
        "implanted": "implanted implantat implant implante impianto implantaat",
        "both": "both beide deux ambos entrambi",
        "unknown": "unknown unbekannt inconnu desconocido sconosciuto onbekend u",
    },
    "kind": {
        "implanted": "implanted implantat implantiert implant implante impiantato implantaat "
        "impianto",
        "adhesive": "adhesive klebesensor pflaster patch adhesif adhesivo adesivo pleister",
    },
    "end_reason": {
        "planned": "planned geplant plan planmassig prevu programme planificado previsto "
        "pianificato gepland",
        "sensor failure": "failure failed ausfall defekt defaillance panne fallo guasto defect "
        "sensorausfall",
        "detached": "detached abgelost abgefallen lose decolle despegado staccato losgeraakt",
        "infection": "infection infektion infeccion infezione infectie",
        "skin reaction": "skinreaction hautreaktion hautreizung reactioncutanee reaccioncutanea "
        "reazionecutanea huidreactie",
        "other complication": "othercomplication anderekomplikation autrecomplication "
        "otracomplicacion",
        "patient choice": "patientchoice choice patientenwunsch wunsch choixdupatient choix "
        "decisiondelpaciente scelta "
        "keuze",
        "medical need": "medicalneed medizinisch medical besoinmedical necesidadmedica medico "
        "medisch",
        "death": "death died tod verstorben deces muerte morte overlijden",
        "unknown": "unknown unbekannt inconnu desconocido sconosciuto onbekend",
    },
    "procedures.what": {
        "placement": "in placement insertion einlage einsetzen implantation pose colocacion "
        "insercion inserimento "
        "plaatsing",
        "removal": "out removal explantation entfernung entnahme retrait extraccion retirada "
        "rimozione "
        "verwijdering",
    },
    "method": {
        "laboratory": "l lab laboratory labor laboratoire laboratorio laboratorium zentrallabor",
        "point of care": "p poc b bedside pointofcare schnelltest praxis cabinet",
        "home": "h home zuhause heim domicile maison casa thuis",
        "unknown": "u unknown unbekannt inconnu",
    },
    "contacts.what": {
        "visit": "visit besuch visite consultation visita bezoek sprechstunde consulta",
        "call": "call phone anruf telefon appel telephone llamada telefonata telefoon",
        "laboratory": "laboratory labor laboratoire laboratorio",
        "procedure": "procedure eingriff acte procedimiento ingreep",
        "offer of a sensor": "offer angebot offre oferta offerta aanbod",
        "sensor declined": "declined absage refus rechazo rifiuto afgewezen",
        "left the clinic": "left abgang depart verzogen partido salida trasferito vertrokken",
    },
    "states.what": {
        "insulin delivery": "insulindelivery insulin insulingabe insuline insulina",
        "other glucose-lowering drug": "othergluc begleitmittel otherdrug autremedicament "
        "otrofarmaco",
        "target group": "targetgroup zielgruppe groupecible",
        "hba1c unreliable": "hba1cun hba1cnot hba1cnon",
        "pregnancy": "pregnan schwanger grossesse embarazo gravidanza zwanger",
        "site": "site standort lieu sede locatie centre",
    },
    "states.value": {
        "pump": "pump pumpe pompe bomba pompa",
        "injections": "injections spritzen injektion inyecciones iniezioni injecties",
        "none": "none ohne sans ninguna nessuna geen keine",
        "started": "started beginn debut inicio inizio",
        "yes": "yes ja oui si",
        "transfusion": "transfusion transfusione",
    },
    "severity": {
        "mild": "1 mild leicht leger legere leve lieve licht",
        "moderate": "2 moderate massig mittel modere moderee moderado moderata matig",
        "severe": "3 severe schwer severo grave ernstig",
    },
    "related_to_device": {
        "not": "0 not no none kein nein non ninguna nessuna geen",
        "possible": "1 possible moglich posible possibile mogelijk",
        "probable": "2 probable wahrscheinlich probabile waarschijnlijk",
        "causal": "3 causal kausal certain sicher cierto certo zeker",
        "unknown": "9 unknown unbekannt inconnu desconocido",
    },
    "category": {
        "site infection": "siteinfection infection infektion infeccion infezione infectie",
        "skin discolouration": "skindiscol discolour verfarbung depigmentation decoloration",
        "pain": "pain schmerz douleur dolor dolore pijn",
        "migration": "migration wanderung migracion migrazione migratie",
        "contact dermatitis": "contactdermatitis kontaktdermatitis dermatite dermatitis ekzem "
        "eczema",
        "itching": "itching juckreiz prurit prurito jeuk",
        "erythema": "erythema rotung erytheme eritema roodheid",
        "bleeding at insertion": "bleeding blutung saignement sangrado sanguinamento bloeding",
        "skin reaction": "skinreaction hautreaktion reactioncutanee peau reaccioncutanea",
        "bruising": "bruising hamatom hematome hematoma ematoma bluterguss ecchymose blauwe",
        "vasovagal reaction": "vasovagal vagal ohnmacht malaise syncope",
        "severe hypoglycaemia": "severehypo hypoglyc hypoglyk hypoglucemia ipoglicemia",
        "diabetic ketoacidosis": "diabeticketo ketoacid ketoazid acidocetose cetoacidosis "
        "chetoacidosi acidose",
        "early replacement alert": "earlyreplacement alert alerte",
        "reaction to the adhesive of the transmitter": "reactiontotheadhesive transmitter "
        "transmetteur",
        "sensor error": "sensorerror sensorfehler",
        "signal loss": "signalloss signalverlust pertedesignal",
        "premature detachment": "prematuredet decollement",
    },
}  # fmt: skip
SAME_CODES: Final = {"related_to_procedure": "related_to_device"}


def word_for(code: str, known: Words, ours: Sequence[str] = ()) -> str | None:
    """Return our word for a code, or None where the words do not tell it.

    Examples
    --------
    >>> word_for("Typ 1", CODES["diabetes_type"]), word_for("HEM", CODES["category"])
    ('type 1', 'bruising')
    >>> word_for("77", CODES["end_reason"]) is None
    True
    """
    told = plain(code).replace(" ", "") or code.strip()
    for word in (*known, *ours):
        if told == plain(word).replace(" ", ""):
            return word
    found = []
    for word, written in known.items():
        stems = written.split()
        if told in stems:
            return word
        long = [stem for stem in stems if len(stem) >= 4]
        if any(told.startswith(stem) for stem in long) or (
            len(told) >= 3 and any(stem.startswith(told) for stem in long)
        ):
            found.append(word)
    different = list(dict.fromkeys(found))
    return different[0] if len(different) == 1 else None


def unit_for(text: str) -> str | None:
    """Return our unit for a clinic's word, or None.

    Examples
    --------
    >>> unit_for("Prozent"), unit_for("MMOL/L"), unit_for("kg")
    ('%', 'mmol/L', None)
    """
    told = text.strip().casefold().replace(" ", "")
    return next((unit for unit, words in UNIT_MEANS.items() if told in words.split()), None)
