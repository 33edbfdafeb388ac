"""Words under which exports keep our columns and categories, in several languages.

Only a draft of `sources.toml` uses them, and only to propose: every guess is marked and has to be
confirmed. A word is compared without accents and in small letters; a heading holds it when one of
its words begins with it. Chosen from everyday dictionaries; a clinic's own abbreviations are told
by the values instead.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from difflib import SequenceMatcher
from functools import lru_cache
from typing import Final

Words = Mapping[str, str]

PATIENT_WORDS: Final = (
    "patient patientid patid pat pid person personne persona personen paciente paziente kennung "
    "klient client "
    "cliente klant subject sujet participant deelnemer proband mrn dossier kartei pseudonym"
)
RECORDED_WORDS: Final = (
    "entered recorded entry eingetragen eingegeben freigabe released saisi saisie enregistre "
    "registrado registrato ingevoerd geregistreerd inserito angelegt erfasst validated valide"
)
TIME_WORDS: Final = (
    "time timestamp datetime zeit zeitpunkt uhrzeit heure horodatage hora ora tijd tijdstip moment "
    "zeitstempel messzeit t date datum fecha data read instant"
)
GLUCOSE_WORDS: Final = (
    "glucose glukose glykemie glycemie glucosa glicemia glucosio zucker blutzucker bz bg sg mg "
    "mmol mgdl value wert "
    "messwert valeur valor valore waarde reading result ergebnis taux niveau livello"
)
UNIT_WORDS: Final = "unit units einheit unite unidad unita eenheid"
DAY_WORDS: Final = "date datum tag day jour fecha data giorno dag dia am le on"
HEADINGS: Final[Mapping[str, Words]] = {
    "patients": {
        "birth_year": "birth born geburt geboren geb naissance ne nee nacimiento nacido nascita "
        "nato geboorte "
        "dob yob jahrgang",
        "sex": "sex sexe sexo sesso gender geschlecht genre genero genere geslacht",
        "diabetes_type": "diabetestyp diabetes diabete dm typ type tipo dmtyp dmtype",
        "diagnosis_year": "diagnosis diagnose diagnosejahr diagnosed diagnostic diagnostico "
        "diagnosi "
        "manifestation erkrankt",
        "covered_from": "covered erfasst registered enrolled enrolment suivi depuis since seit "
        "seguimiento desde inscrit inscription aufnahme vanaf follow included betreut",
        "sensor_use_before": "before vorher fruher previous previously prior avant anterieur "
        "anterior antes "
        "previo prima precedente eerder history bisher sensoren",
        "died_on": "died death dead deceased verstorben sterbedatum tod todestag gestorben deces "
        "decede muerte "
        "fallecido fallecimiento morte decesso deceduto overleden overlijden",
    },
    "states": {
        "what": "what fact merkmal item feature element rasgo kenmerk caracteristique attribut "
        "attribute "
        "eigenschaft status caracteristica dato",
        "value": "value wert auspragung valeur valor valore waarde content inhalt",
        "from_on": "from start starts beginn ab von debut depuis desde inicio inizio vanaf begin "
        "since seit",
        "to_on": "to until end ends ende bis fin hasta fine tot einde jusqu",
    },
    "contacts": {
        "on": DAY_WORDS,
        "what": "what type kind art anlass reason motif motivo tipo soort contact kontakt reden "
        "nature "
        "contacto contatto",
    },
    "sensors": {
        "sensor_id": "sensor device gerat geraet capteur appareil sensore patch pflaster "
        "dispositivo "
        "dispositif apparaat serial seriennummer serie serienummer implant implantat",
        "kind": "kind bauart type typ art genre clase soort kategorie",
        "model": "model modell modele modelo modello",
        "lot": "lot charge chargennummer batch lote lotto partij",
        "placed_on": "placed inserted insertion implanted implantation implantiert eingesetzt "
        "einlage gesetzt pose posee colocado "
        "colocacion insercion inserito inserimento geplaatst plaatsing from von start begin beginn",
        "placed_at": "placed inserted insertion implanted implantation implantiert eingesetzt "
        "gesetzt pose posee colocado inserito geplaatst",
        "planned_days": "planned life days tage laufzeit solltage jours duree dias duracion "
        "giorni durata "
        "dagen looptijd lebensdauer plan duration nominal geplant prevue prevista",
        "stopped_on": "stopped stop working letzter last functional funktion arret arrete ultimo "
        "laatste until actif aktiv activo attivo actief bis ende fin hasta fine",
        "removed_on": "removed removal out entfernt entnommen ausgebaut explant explanted "
        "explantiert retrait retire "
        "enleve retirado retirada rimosso rimozione verwijderd verwijdering until",
        "end_reason": "reason why grund endegrund motif motivo raison razon reden cause causa "
        "ursache",
        "body_site": "arm site where stelle lieu sitz sitio sede plaats korper korperstelle "
        "localisation body "
        "zone zona",
        "recorded_on": RECORDED_WORDS,
    },
    "procedures": {
        "procedure_id": "procedure eingriff acte intervention operation procedimiento intervento "
        "ingreep "
        "prozedur",
        "sensor_id": "sensor device gerat geraet capteur appareil sensore dispositivo dispositif "
        "apparaat serial "
        "implant implantat",
        "what": "what kind type typ art nature tipo soort geste",
        "on": DAY_WORDS,
        "attempt": "attempt versuch essai tentative intento tentativo poging",
        "completed": "completed done success erfolg gelungen abgeschlossen erledigt reussi "
        "termine completado "
        "logrado riuscito completato voltooid gelukt acheve",
        "inserter_id": "inserter operator by operateur operador operatore uitvoerder durch par "
        "durchgefuhrt "
        "behandler",
        "inserter_role": "profession role rolle beruf metier fonction profesion ruolo "
        "professione beroep funktion",
        "supervised": "supervised supervision aufsicht supervise supervisado supervisionato "
        "toezicht betreut",
        "site": "place site ort standort lieu sitio sede locatie filiale centre centro vestiging",
        "recorded_on": RECORDED_WORDS,
    },
    "readings": {
        "time": TIME_WORDS,
        "value": GLUCOSE_WORDS,
        "local_offset": "offset utc versatz decalage",
        "sensor_id": "sensor device gerat geraet capteur appareil sensore patch pflaster "
        "dispositivo dispositif apparaat "
        "serial serie",
    },
    "fingersticks": {
        "time": TIME_WORDS,
        "value": GLUCOSE_WORDS,
        "local_offset": "offset utc versatz decalage",
        "used_for_calibration": "used calibration kalibrierung kalibriert calibrated etalonnage "
        "calibrage calibracion "
        "calibrazione ijking gebruikt calib cal",
    },
    "hba1c": {
        "drawn_on": "drawn entnahme abnahme prelevement preleve prelevato prelievo sampled "
        "sample collected collection extraccion "
        "muestra afname taken " + DAY_WORDS,
        "value": "hba1c a1c hba ergebnis result resultat resultado risultato uitslag value wert "
        "valeur valor "
        "valore waarde glykohamoglobin",
        "method": "method methode metodo place ort lieu where source quelle origin herkunft "
        "setting sede plaats",
        "recorded_on": RECORDED_WORDS,
    },
    "complications": {
        "complication_id": "complication komplikation event ereignis evenement incident vorfall "
        "evento incidente complicatie numero "
        "nummer number nr no id fall case",
        "sensor_id": "sensor device gerat geraet capteur appareil sensore dispositivo apparaat "
        "serial implantat",
        "procedure_id": "procedure eingriff acte intervention procedimiento intervento ingreep "
        "prozedur",
        "onset_on": "onset begin began beginn debut start started inicio inizio aufgetreten "
        "occurred survenue " + DAY_WORDS,
        "category": "category kategorie categorie categoria nature what art typ type tipo aard "
        "term code",
        "deficiency_only": "deficiency defaut mangel defekt geratemangel deficit gebrek difetto "
        "defecto",
        "severity": "severity schwere schweregrad gravite gravedad gravita ernst grad grade "
        "intensite",
        "serious": "serious serieux schwerwiegend grave serio ernstig seria",
        "related_to_device": "device dispositif dispositivo gerat geraet apparaat produkt",
        "related_to_procedure": "procedure acte eingriff prozedur procedimiento ingreep intervento",
        "outcome": "outcome issue ausgang verlauf resolution desenlace esito afloop evolution",
        "action": "action mesure massnahme medida misura maatregel behandlung treatment",
        "reported": "reported gemeldet declare signale notificado segnalato gemeld notified "
        "meldung",
        "recorded_on": RECORDED_WORDS,
    },
}  # fmt: skip
# A word that makes a heading of relatedness: "link to the device" is not the device.
RELATION_WORDS: Final = (
    "related relation lien zusammenhang bezug link relacion relazione relatie verband causal"
)
# Headings that hold other things than our columns, whatever else they hold.
TAILS: Final = ("nummer", "number", "nr", "no", "id", "datum", "date", "code", "typ", "type")
ID_MARKS: Final = ("id", "nr", "no", "num", "numero", "nummer", "number", "code", "kennung", "key")
# Words of file names and folders that tell the table.
TABLE_WORDS: Final[Words] = {
    "patients": "patient person register people demograph stamm roster paciente paziente",
    "states": "state fact merkmal status caracteristique rasgo kenmerk",
    "contacts": "contact kontakt visit besuch consult visite visita bezoek termin agenda "
    "appointment",
    "sensors": "sensor device capteur patch implant sensore geraet gerat wear",
    "procedures": "procedure eingriff acte intervention placement theatre ingreep",
    "readings": "reading glucose verlauf cgm sensorwert valeur value curve kurve trace messwert",
    "fingersticks": "fingerstick meter finger strip bz teststreifen capillaire glucometer",
    "hba1c": "hba1c a1c lab labor labo bedside hba",
    "complications": "complication komplikation incident event ereignis adverse vorfall "
    "evenement harm",
}  # fmt: skip
FOOTER_WORDS: Final = frozenset(
    [
        "total",
        "totals",
        "totale",
        "summe",
        "sum",
        "gesamt",
        "end",
        "ende",
        "fin",
        "fine",
        "einde",
        "anzahl",
        "count",
        "rows",
        "zeilen",
        "lignes",
        "filas",
        "records",
        "generated",
        "erstellt",
        "exportiert",
        "exported",
        "somme",
        "suma",
        "somma",
        "totaal",
    ]
)
MISSING_WORDS: Final = frozenset(
    [
        "n/a",
        "na",
        "n.a.",
        "null",
        "none",
        "nil",
        "-",
        "--",
        ".",
        "?",
        "k.a.",
        "ka",
        "nd",
        "n.d.",
        "missing",
        "fehlt",
        "manque",
        "unknown",
        "unbekannt",
        "inconnu",
    ]
)
LOW_WORDS: Final = frozenset(["low", "lo", "tief", "niedrig", "bas", "bajo", "basso", "laag"])
HIGH_WORDS: Final = frozenset(["high", "hi", "hoch", "haut", "alto", "hoog", "eleve"])
YES_WORDS: Final = frozenset(
    [
        "yes",
        "y",
        "true",
        "t",
        "1",
        "ja",
        "j",
        "wahr",
        "oui",
        "o",
        "vrai",
        "si",
        "s",
        "x",
        "done",
        "verdadero",
        "vero",
        "waar",
    ]
)
NO_WORDS: Final = frozenset(
    ["no", "n", "false", "f", "0", "nein", "falsch", "non", "faux", "nee", "falso", "onwaar"]
)
FACTS: Final[Words] = {
    "insulin delivery": "insulin insulingabe delivery insuline insulina insulintherapie",
    "pregnancy": "pregnant pregnancy schwanger schwangerschaft grossesse enceinte embarazo "
    "gravidanza zwanger",
    "site": "site standort",
    "other glucose-lowering drug": "begleitmittel comedication",
}
MEASURES: Final[Mapping[str, tuple[str, str]]] = {
    "weight": ("weight gewicht poids peso kg", "kg"),
    "body mass index": ("bmi imc", "kg/m2"),
    "systolic pressure": ("systolic systolisch sbp rrsys systolique sistolica", "mmHg"),
}


@lru_cache(maxsize=65536)
def plain(text: str) -> str:
    """Return small letters without accents, words parted by one blank.

    Examples
    --------
    >>> plain("Geräte-Nr."), plain("drawnOn (UTC)")
    ('gerate nr', 'drawn on utc')
    """
    parted = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    letters = unicodedata.normalize("NFKD", parted.replace("ß", "ss"))
    bare = "".join(c for c in letters if not unicodedata.combining(c)).casefold()
    return " ".join(re.findall(r"[a-z0-9%]+", bare))


def heading_fit(heading: str, words: str) -> float:
    """Return how well a heading fits words: 3 the same, 2.5 a word of it, 2 a part, 1 nearly.

    Examples
    --------
    >>> heading_fit("Sensor-Art", "kind art"), heading_fit("Sensorart", "kind art")
    (2.5, 1.5)
    >>> heading_fit("glicose", "glucose"), heading_fit("Datum", "glucose")
    (1.0, 0.0)
    """
    told = plain(heading)
    known = words.split()
    if told in known or told.replace(" ", "") in known:
        return 3.0
    parts = told.split()
    if any(part in known for part in parts):
        return 2.5
    return max((_part_fit(part, word) for part in parts for word in known), default=0.0)


@lru_cache(maxsize=65536)
def _part_fit(part: str, word: str) -> float:
    """Return how well one word of a heading fits one known word."""
    # Compounds: the thing stands last (Abnahmedatum), or before a word such as number.
    if any(part == word + tail for tail in TAILS):
        return 2.0
    if len(word) >= 4 and (part.startswith(word) or part.endswith(word)):
        return 2.0
    if len(word) == 3 and len(part) > 5 and part.endswith(word):
        return 1.5
    if len(word) >= 5 and word in part:
        return 1.0
    # The same word in a neighbouring language: glucose, glukos, glicose.
    near = len(part) >= 5 and len(word) >= 5
    return 1.0 if near and SequenceMatcher(None, part, word).ratio() >= 0.8 else 0.0
