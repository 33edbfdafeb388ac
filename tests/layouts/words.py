"""Headings, file names and codes of invented systems, by the language of their makers."""

from __future__ import annotations

Headings = dict[str, dict[str, str]]
Codes = dict[str, dict[str, str]]

# --- headings: table, our column, the heading; "name" is a column that must stay unread

ENGLISH: Headings = {
    "patients": {
        "patient_id": "Patient ID", "name": "Full name", "birth": "Date of birth", "sex": "Gender",
        "diabetes_type": "Diabetes type", "died_on": "Date of death",
    },
    "sensors": {
        "sensor_id": "Sensor serial", "patient_id": "Patient ID", "kind": "Sensor kind",
        "placed_on": "Insertion date", "planned_days": "Planned life (days)",
        "removed_on": "Removal date", "end_reason": "Reason for end", "lot": "Lot number",
    },
    "hba1c": {"patient_id": "Patient ID", "drawn_on": "Sample date", "value": "HbA1c"},
    "contacts": {"patient_id": "Patient ID", "on": "Contact date", "what": "Contact type"},
    "readings": {"patient_id": "Patient ID", "time": "Timestamp", "value": "Glucose"},
    "fingersticks": {"patient_id": "Patient ID", "time": "Measured at", "value": "Meter value"},
    "complications": {
        "complication_id": "Event number", "patient_id": "Patient ID", "onset_on": "Onset date",
        "category": "Category", "severity": "Severity", "serious": "Serious",
        "deficiency_only": "Device deficiency only",
    },
    "procedures": {
        "procedure_id": "Procedure number", "patient_id": "Patient ID", "on": "Procedure date",
        "what": "Procedure type", "attempt": "Attempt", "completed": "Completed",
        "inserter_id": "Operator",
    },
}  # fmt: skip
TERSE: Headings = {
    "patients": {
        "patient_id": "PAT_NO", "name": "SURNAME", "birth": "DOB", "sex": "SEX",
        "diabetes_type": "DM_TYPE", "died_on": "DECEASED_DT",
    },
    "sensors": {
        "sensor_id": "DEVICE_SN", "patient_id": "PAT_NO", "kind": "DEVICE_KIND",
        "placed_on": "INS_DT", "planned_days": "LIFE_DAYS", "removed_on": "OUT_DT",
        "end_reason": "END_REASON", "lot": "BATCH",
    },
    "hba1c": {"patient_id": "PAT_NO", "drawn_on": "COLL_DT", "value": "A1C", "unit": "UNITS"},
    "contacts": {"patient_id": "PAT_NO", "on": "ENC_DT", "what": "ENC_TYPE"},
    "readings": {"patient_id": "PAT_NO", "time": "READ_TS", "value": "SG_VAL"},
    "fingersticks": {"patient_id": "PAT_NO", "time": "TEST_TS", "value": "BG_VAL"},
    "procedures": {
        "procedure_id": "PROC_ID", "patient_id": "PAT_NO", "on": "PROC_DT", "what": "PROC_TYPE",
        "attempt": "ATTEMPT_NO", "completed": "SUCCESS_YN", "inserter_id": "OPERATOR_ID",
    },
}  # fmt: skip
GERMAN: Headings = {
    "patients": {
        "patient_id": "Patientennummer", "name": "Nachname", "birth": "Geburtsdatum",
        "sex": "Geschlecht", "diabetes_type": "Diabetestyp", "died_on": "Sterbedatum",
    },
    "sensors": {
        "sensor_id": "Sensornummer", "patient_id": "Patientennummer", "kind": "Sensorart",
        "placed_on": "Eingesetzt am", "planned_days": "Laufzeit in Tagen",
        "removed_on": "Entfernt am", "end_reason": "Entfernungsgrund", "lot": "Charge",
    },
    "hba1c": {"patient_id": "Patientennummer", "drawn_on": "Abnahmedatum", "value": "HbA1c-Wert"},
    "contacts": {"patient_id": "Patientennummer", "on": "Kontaktdatum", "what": "Kontaktart"},
    "readings": {"patient_id": "Patientennummer", "time": "Messzeitpunkt", "value": "Glukose"},
    "fingersticks": {"patient_id": "Patientennummer", "time": "Zeitpunkt", "value": "Blutzucker"},
    "complications": {
        "complication_id": "Ereignisnummer", "patient_id": "Patientennummer",
        "onset_on": "Beginn am", "category": "Ereignisart", "severity": "Schweregrad",
        "serious": "Schwerwiegend", "deficiency_only": "Nur Gerätemangel",
    },
}  # fmt: skip
FRENCH: Headings = {
    "patients": {
        "patient_id": "n° patient", "name": "nom", "birth": "date de naissance", "sex": "sexe",
        "diabetes_type": "type de diabète", "died_on": "date de décès",
    },
    "sensors": {
        "sensor_id": "n° capteur", "patient_id": "n° patient", "kind": "genre de capteur",
        "placed_on": "date de pose", "planned_days": "durée prévue (jours)",
        "removed_on": "date de retrait", "end_reason": "motif de fin", "lot": "lot",
    },
    "hba1c": {"patient_id": "n° patient", "drawn_on": "date du prélèvement", "value": "HbA1c (%)"},
    "contacts": {"patient_id": "n° patient", "on": "date", "what": "motif"},
    "readings": {"patient_id": "n° patient", "time": "horodatage", "value": "glycémie"},
    "procedures": {
        "procedure_id": "n° acte", "patient_id": "n° patient", "on": "date de l'acte",
        "what": "type d'acte", "attempt": "essai", "completed": "réussi",
        "inserter_id": "opérateur",
    },
}  # fmt: skip
SPANISH: Headings = {
    "patients": {
        "patient_id": "código paciente", "name": "apellidos", "birth": "fecha de nacimiento",
        "sex": "sexo", "diabetes_type": "tipo de diabetes", "died_on": "fallecimiento",
    },
    "sensors": {
        "sensor_id": "n.º de serie", "patient_id": "código paciente", "kind": "clase de sensor",
        "placed_on": "fecha de colocación", "planned_days": "duración prevista",
        "removed_on": "fecha de retirada", "end_reason": "motivo de retirada", "lot": "lote",
    },
    "hba1c": {"patient_id": "código paciente", "drawn_on": "fecha de extracción",
              "value": "resultado HbA1c"},
    "contacts": {"patient_id": "código paciente", "on": "fecha", "what": "tipo de contacto"},
    "readings": {"patient_id": "código paciente", "time": "fecha y hora", "value": "glucosa"},
}  # fmt: skip
ITALIAN: Headings = {
    "patients": {
        "patient_id": "codice paziente", "name": "cognome", "birth": "data di nascita",
        "sex": "sesso", "diabetes_type": "tipo diabete", "died_on": "data decesso",
    },
    "sensors": {
        "sensor_id": "matricola sensore", "patient_id": "codice paziente", "kind": "tipo sensore",
        "placed_on": "data inserimento", "planned_days": "durata (giorni)",
        "removed_on": "data rimozione", "end_reason": "motivo rimozione", "lot": "lotto",
    },
    "hba1c": {"patient_id": "codice paziente", "drawn_on": "data prelievo", "value": "esito HbA1c"},
    "contacts": {"patient_id": "codice paziente", "on": "data visita", "what": "tipo contatto"},
    "readings": {"patient_id": "codice paziente", "time": "data e ora", "value": "glicemia"},
}  # fmt: skip
DUTCH: Headings = {
    "patients": {
        "patient_id": "patiëntnummer", "name": "achternaam", "birth": "geboortedatum",
        "sex": "geslacht", "diabetes_type": "diabetestype", "died_on": "overleden op",
    },
    "sensors": {
        "sensor_id": "sensornummer", "patient_id": "patiëntnummer", "kind": "soort sensor",
        "placed_on": "datum plaatsing", "planned_days": "looptijd dagen",
        "removed_on": "datum verwijdering", "end_reason": "reden einde", "lot": "partijnummer",
    },
    "hba1c": {"patient_id": "patiëntnummer", "drawn_on": "afnamedatum", "value": "HbA1c uitslag"},
    "contacts": {"patient_id": "patiëntnummer", "on": "datum contact", "what": "soort contact"},
    "readings": {"patient_id": "patiëntnummer", "time": "tijdstip", "value": "glucosewaarde"},
}  # fmt: skip
# Languages whose words the draft was not given, and one that nobody speaks: cells must tell. Danish
# and Polish were added when the draft was finished, and nothing was changed for them.
SWEDISH: Headings = {
    "patients": {
        "patient_id": "patientnr", "name": "efternamn", "birth": "födelsedatum", "sex": "kön",
        "diabetes_type": "diabetestyp", "died_on": "avliden",
    },
    "sensors": {
        "sensor_id": "sensornr", "patient_id": "patientnr", "kind": "sensortyp",
        "placed_on": "insatt datum", "planned_days": "planerade dagar",
        "removed_on": "borttagen datum", "end_reason": "orsak", "lot": "lotnummer",
    },
    "hba1c": {"patient_id": "patientnr", "drawn_on": "provdatum", "value": "HbA1c"},
    "contacts": {"patient_id": "patientnr", "on": "datum", "what": "kontakttyp"},
    "readings": {"patient_id": "patientnr", "time": "tidpunkt", "value": "glukos"},
}  # fmt: skip
PORTUGUESE: Headings = {
    "patients": {
        "patient_id": "nº utente", "name": "apelido", "birth": "data de nascimento", "sex": "sexo",
        "diabetes_type": "tipo de diabetes", "died_on": "data do óbito",
    },
    "sensors": {
        "sensor_id": "nº do sensor", "patient_id": "nº utente", "kind": "classe do sensor",
        "placed_on": "data de colocação", "planned_days": "duração (dias)",
        "removed_on": "data de remoção", "end_reason": "motivo", "lot": "lote",
    },
    "hba1c": {"patient_id": "nº utente", "drawn_on": "data da colheita", "value": "HbA1c"},
    "contacts": {"patient_id": "nº utente", "on": "data", "what": "tipo de contacto"},
    "readings": {"patient_id": "nº utente", "time": "data/hora", "value": "glicose"},
}  # fmt: skip
DANISH: Headings = {
    "patients": {
        "patient_id": "patient-nr.", "name": "efternavn", "birth": "født", "sex": "køn",
        "diabetes_type": "diabetestype", "died_on": "død dato",
    },
    "sensors": {
        "sensor_id": "serienr.", "patient_id": "patient-nr.", "kind": "sensorslags",
        "placed_on": "indsat", "planned_days": "holdbarhed (dage)", "removed_on": "fjernet",
        "end_reason": "årsag", "lot": "lotnr.",
    },
    "hba1c": {"patient_id": "patient-nr.", "drawn_on": "prøvedato", "value": "svar"},
    "contacts": {"patient_id": "patient-nr.", "on": "dato", "what": "kontaktform"},
    "readings": {"patient_id": "patient-nr.", "time": "målt", "value": "blodsukker"},
}  # fmt: skip
POLISH: Headings = {
    "patients": {
        "patient_id": "nr pacjenta", "name": "nazwisko", "birth": "data urodzenia", "sex": "płeć",
        "diabetes_type": "typ cukrzycy", "died_on": "data zgonu",
    },
    "sensors": {
        "sensor_id": "nr czujnika", "patient_id": "nr pacjenta", "kind": "rodzaj",
        "placed_on": "data założenia", "planned_days": "czas pracy (dni)",
        "removed_on": "data zdjęcia", "end_reason": "przyczyna", "lot": "seria",
    },
    "hba1c": {"patient_id": "nr pacjenta", "drawn_on": "data pobrania", "value": "wynik"},
    "contacts": {"patient_id": "nr pacjenta", "on": "data wizyty", "what": "rodzaj wizyty"},
    "readings": {"patient_id": "nr pacjenta", "time": "czas pomiaru", "value": "stężenie"},
}  # fmt: skip
NOBODYS: Headings = {
    "patients": {
        "patient_id": "krell", "name": "vunto", "birth": "blav", "sex": "zim",
        "diabetes_type": "dorv",
    },
    "sensors": {
        "sensor_id": "tarn", "patient_id": "krell", "kind": "pli", "placed_on": "wost",
        "planned_days": "nuk", "removed_on": "wend", "end_reason": "hurv",
    },
    "hba1c": {"patient_id": "krell", "drawn_on": "wost", "value": "haben"},
    "contacts": {"patient_id": "krell", "on": "wost", "what": "gorm"},
    "readings": {"patient_id": "krell", "time": "zeff", "value": "sukk"},
}  # fmt: skip

# Columns that no table needs; whose cells must never stand in a draft.
EXTRAS = {
    "patients": ("name", "phone", "remark"), "hba1c": ("order",), "sensors": ("remark",),
}  # fmt: skip

# --- codes: our column, our word, theirs

OURS: Codes = {}
LETTERS: Codes = {
    "sex": {"female": "F", "male": "M", "unknown": "U"},
    "diabetes_type": {"type 1": "T1", "type 2": "T2"},
    "kind": {"implanted": "IMPLANT", "adhesive": "PATCH"},
    "contacts.what": {"visit": "VISIT", "call": "PHONE", "offer of a sensor": "OFFER",
                      "sensor declined": "DECLINED"},
    "end_reason": {"planned": "PLANNED", "sensor failure": "FAILURE", "detached": "DETACHED",
                   "unknown": "UNKNOWN", "patient choice": "PATIENT CHOICE",
                   "skin reaction": "SKIN REACTION", "medical need": "MEDICAL",
                   "other complication": "OTHER COMPLICATION", "infection": "INFECTION",
                   "death": "DEATH"},
    "procedures.what": {"placement": "INSERTION", "removal": "REMOVAL"},
    "completed": {"true": "Y", "false": "N"},
    "severity": {"mild": "1", "moderate": "2", "severe": "3"},
    "serious": {"true": "Y", "false": "N"},
    "deficiency_only": {"true": "Y", "false": "N"},
}  # fmt: skip
GERMAN_CODES: Codes = {
    "sex": {"female": "weiblich", "male": "männlich", "unknown": "unbekannt"},
    "diabetes_type": {"type 1": "Typ 1", "type 2": "Typ 2"},
    "kind": {"implanted": "Implantat", "adhesive": "Pflaster"},
    "contacts.what": {"visit": "Besuch", "call": "Anruf", "offer of a sensor": "Angebot",
                      "sensor declined": "Absage"},
    "end_reason": {"planned": "geplant", "sensor failure": "Defekt", "detached": "abgelöst",
                   "unknown": "unbekannt", "patient choice": "Wunsch des Patienten",
                   "skin reaction": "Hautreaktion", "medical need": "medizinischer Grund",
                   "other complication": "andere Komplikation", "infection": "Infektion",
                   "death": "Tod"},
    "severity": {"mild": "leicht", "moderate": "mittel", "severe": "schwer"},
    "serious": {"true": "ja", "false": "nein"},
    "deficiency_only": {"true": "ja", "false": "nein"},
    "category": {"skin reaction": "Hautreaktion", "itching": "Juckreiz",
                 "bleeding at insertion": "Blutung", "contact dermatitis": "Kontaktekzem",
                 "vasovagal reaction": "Kreislauf", "diabetic ketoacidosis": "Ketoazidose",
                 "reaction to the adhesive of the transmitter": "Transmitter-Pflaster",
                 "migration": "Wanderung"},
}  # fmt: skip
FRENCH_CODES: Codes = {
    "sex": {"female": "féminin", "male": "masculin", "unknown": "inconnu"},
    "diabetes_type": {"type 1": "type 1", "type 2": "type 2"},
    "kind": {"implanted": "implanté", "adhesive": "adhésif"},
    "contacts.what": {"visit": "consultation", "call": "appel", "offer of a sensor": "offre",
                      "sensor declined": "refus"},
    "end_reason": {"planned": "prévu", "sensor failure": "panne", "detached": "décollé",
                   "unknown": "inconnu", "patient choice": "choix du patient",
                   "skin reaction": "réaction cutanée", "medical need": "raison médicale",
                   "other complication": "autre complication", "infection": "infection",
                   "death": "décès"},
    "procedures.what": {"placement": "pose", "removal": "retrait"},
    "completed": {"true": "oui", "false": "non"},
}  # fmt: skip
SPANISH_CODES: Codes = {
    "sex": {"female": "mujer", "male": "hombre", "unknown": "desconocido"},
    "diabetes_type": {"type 1": "tipo 1", "type 2": "tipo 2"},
    "kind": {"implanted": "implantado", "adhesive": "adhesivo"},
    "contacts.what": {"visit": "visita", "call": "llamada", "offer of a sensor": "oferta",
                      "sensor declined": "rechazo"},
    "end_reason": {"planned": "planificada", "sensor failure": "fallo", "detached": "despegado",
                   "unknown": "desconocido", "patient choice": "decisión del paciente",
                   "skin reaction": "reacción cutánea", "medical need": "necesidad médica",
                   "other complication": "otra complicación", "infection": "infección",
                   "death": "muerte"},
}  # fmt: skip
NUMBERS: Codes = {
    "sex": {"female": "w", "male": "m", "unknown": "?"},
    "diabetes_type": {"type 1": "1", "type 2": "2"},
    "kind": {"implanted": "I", "adhesive": "A"},
    "end_reason": {"planned": "10", "sensor failure": "20", "detached": "21", "unknown": "99",
                   "patient choice": "40", "skin reaction": "31", "medical need": "41",
                   "other complication": "39", "infection": "30", "death": "50"},
}  # fmt: skip
