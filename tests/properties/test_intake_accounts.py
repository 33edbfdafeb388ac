"""Whatever is wrong with a file: no crash, and every row has one place."""

import tempfile
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from outcomes.errors import OutcomesError
from outcomes.plan.sources import read_sources
from outcomes.tables.intake import intake
from tests.exports import LABS, READINGS, write_clinic

CELLS = st.one_of(
    st.sampled_from(["P1", "P2", "P9", "", " ", "Zoë", "\x00", "a\nb", 'in "quotes"', "x" * 300]),
    st.sampled_from(["7.1", "8,0", "LOW", "<40", "62", "-5", "1e9", "NaN", "%", "mg/dL"]),
    st.sampled_from(["2024-03-01", "2024-02-30", "2024-03-31 02:30", "2024-10-27 02:15"]),
    st.sampled_from(["2024-03-01T08:00:00Z", "2026-01-01", "9999-12-31", "1/2/24"]),
)
ROWS = st.lists(st.lists(CELLS, min_size=3, max_size=5), max_size=8)
SOUND = st.lists(
    st.tuples(
        st.sampled_from(["P1", "P2", "P9"]),
        st.sampled_from(["2024-03-01", "2024-03-02", "bad"]),
        st.sampled_from(["7.1", "7.2", "54", "x", ""]),
        st.sampled_from(["%", "mmol/mol", ""]),
    ).map(list),
    max_size=10,
)


def quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if set(cell) & set('\n",') else cell


def file_of(headings: str, rows: list[list[str]]) -> str:
    return headings + "\n" + "".join(",".join(map(quoted, row)) + "\n" for row in rows)


def balanced(account) -> bool:
    placed = ["rows_kept", "rows_set_aside", "exact_repeats", "rows_without_value"]
    return bool((account[placed].sum(axis=1) == account["rows_read"]).all())


def taken_in(toml: str, **files: bytes):
    with tempfile.TemporaryDirectory() as folder:
        path = write_clinic(Path(folder) / "clinic", toml, **files)
        study = intake(read_sources(path), Path(folder) / "study")
        return study.accounting, study.table("hba1c"), study.set_aside


def refused_or_balanced(toml: str, **files: bytes) -> bool:
    try:
        account, *_ = taken_in(toml, **files)
    except OutcomesError as error:
        return bool(str(error))
    return balanced(account)


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(rows=ROWS, cut=st.integers(0, 12), encoding=st.sampled_from(["utf-8", "cp1252", "utf-16"]))
def test_a_damaged_file_is_refused_in_words_or_accounted_for(rows, cut, encoding):
    text = file_of("patient_id,drawn_on,hba1c,unit", rows)
    damaged = text.encode(encoding)[: -cut or None]
    assert refused_or_balanced(LABS, labs=damaged)


@settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))
@given(rows=ROWS)
def test_damaged_readings_are_refused_in_words_or_accounted_for(rows):
    text = file_of("patient_id,read_at,glucose_mg_dl", rows)
    assert refused_or_balanced(READINGS, readings=text.encode())


@settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck))
@given(rows=SOUND, order=st.randoms(use_true_random=False))
def test_row_order_changes_neither_what_is_kept_nor_what_is_set_aside(rows, order):
    shuffled = list(rows)
    order.shuffle(shuffled)
    known = [["P1", "2024-05-01", "7.0", "%"]]  # one sound row keeps the file acceptable
    heading = "patient_id,drawn_on,hba1c,unit"
    account, kept, aside = taken_in(LABS, labs=file_of(heading, known + rows).encode())
    other = taken_in(LABS, labs=file_of(heading, known + shuffled).encode())
    assert balanced(account)
    assert kept.equals(other[1])
    assert sorted(aside["rule"]) == sorted(other[2]["rule"])


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(rows=SOUND)
def test_a_file_read_twice_keeps_no_row_more(rows):
    known = [["P1", "2024-05-01", "7.0", "%"]]
    text = file_of("patient_id,drawn_on,hba1c,unit", known + rows).encode()
    _, once, _ = taken_in(LABS, labs=text)
    toml = LABS.replace('["labs.csv"]', '["labs.csv", "again.csv"]')
    account, twice, _ = taken_in(toml, labs=text, again=text)
    assert once.equals(twice)
    assert balanced(account)
