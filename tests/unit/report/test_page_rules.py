"""A page stands alone: what it may hold, and what stops it."""

import pandas as pd
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from outcomes.errors import ReportError
from outcomes.report.check import check_page
from outcomes.report.page import assemble
from outcomes.results import Result

GOOD = (
    '<!DOCTYPE html><html lang="en"><head><title>t</title></head>'
    "<body><main>{}</main></body></html>"
)


def page_of(*cells):
    notebook = new_notebook(cells=list(cells))
    return assemble(notebook, title="A <title>", subtitle="s", footer="f")


def result_cell(result):
    data = result._repr_mimebundle_()
    return new_code_cell("x", outputs=[new_output("execute_result", data=data)])


def small_result(**changes):
    given = {
        "name": "small",
        "title": "A question",
        "table": pd.DataFrame({"cohort": ["implanted"], "estimate": [-0.5]}),
        "entries": (),
        "finding": "It fell by 0.5.",
        "caption": "One row.",
    }
    return Result(**(given | changes))


@pytest.mark.parametrize(
    "inside",
    [
        '<a href="#here">x</a>',
        '<a href="tables/hba1c_change.csv">x</a>',
        '<img alt="a dot" src="data:image/png;base64,AAAA">',
        '<svg role="img" aria-labelledby="t"><title id="t">x</title><g fill="url(#clip)"/></svg>',
        "<p>conditional once = 1, see doi 10.1000/182 and http in prose</p>",
        '<p style="color: red">x</p>',
    ],
)
def test_what_a_page_may_hold(inside):
    check_page(GOOD.format(inside))


@pytest.mark.parametrize(
    ("inside", "told"),
    [
        ("<script>1</script>", "<script>"),
        ('<img alt="x" src="logo.png">', "address in src"),
        ('<img src="data:image/png;base64,AAAA">', "alternative text"),
        ('<img alt=" " src="data:image/png;base64,AAAA">', "alternative text"),
        ('<a href="https://example.org/">x</a>', "address in href"),
        ('<a href="tables/../../secret.csv">x</a>', "address in href"),
        ('<a href="javascript:alert(1)">x</a>', "address in href"),
        ('<p onclick="x()">x</p>', "event handler"),
        ('<link rel="stylesheet" href="#">', "<link>"),
        ("<style>@import 'x.css';</style>", "style sheet"),
        ("<style>p { background: url(http://x/y.png) }</style>", "style sheet"),
        ('<p style="background: url(x.png)">x</p>', "address in a style"),
        ('<i id="a"></i><i id="a"></i>', "twice"),
        ('<svg role="img"></svg>', "alternative text"),
        ('<form action="#"></form>', "<form>"),
        ('<iframe src="#"></iframe>', "<iframe>"),
    ],
)
def test_what_stops_a_page(inside, told):
    with pytest.raises(ReportError, match=told):
        check_page(GOOD.format(inside))


@pytest.mark.parametrize(
    ("page", "told"),
    [
        (GOOD.replace(' lang="en"', "").format(""), "language"),
        (GOOD.replace("<title>t</title>", "").format(""), "title"),
        (GOOD.replace("main", "div").format(""), "main"),
        (GOOD.format("x" * 3_000_001), "bytes"),
    ],
)
def test_a_page_has_language_title_main_and_a_size(page, told):
    with pytest.raises(ReportError, match=told):
        check_page(page)


def test_data_that_looks_like_markup_is_shown_as_text():
    evil = "<script>alert(1)</script><img src=x onerror=y> a < b & c"
    table = pd.DataFrame({"note": [evil], "cohort": ["x"]})
    result = small_result(table=table, finding=evil, caption=evil, footnotes=[evil], title=evil)
    page = page_of(new_markdown_cell(f"## {evil}\n\n{evil}"), result_cell(result))
    check_page(page.text)
    assert "<script" not in page.text
    assert "<img" not in page.text
    assert page.text.count("&lt;script&gt;") >= 5


def test_a_page_has_no_code_and_no_parameters():
    secret = new_code_cell("token = 'not for readers'", metadata={"tags": ["parameters"]})
    hidden = new_code_cell("x = 1  # hidden source", metadata={"jupyter": {"source_hidden": True}})
    page = page_of(secret, hidden, result_cell(small_result()))
    assert "not for readers" not in page.text
    assert "hidden source" not in page.text


def test_a_bare_number_or_picture_is_refused():
    cell = new_code_cell("1", outputs=[new_output("execute_result", data={"text/plain": "1"})])
    with pytest.raises(ReportError, match="neither a result nor prose"):
        page_of(cell)


def test_printed_text_and_warnings_stay_out_of_the_page():
    noise = [
        new_output("stream", name="stdout", text="100%|████| 3/3"),
        new_output("stream", name="stderr", text="careful"),
    ]
    page = page_of(new_code_cell("x", outputs=noise))
    assert "████" not in page.text
    assert page.warnings == 1


def test_the_contents_stand_after_the_answers():
    page = page_of(*(new_markdown_cell(f"## {name}") for name in ("Answers", "More", "Last")))
    order = [page.text.index(f) for f in ('id="answers"', "<nav", 'id="more"', 'id="last"')]
    assert order == sorted(order)
    check_page(page.text)


def test_a_figure_carries_its_text_and_its_ids_are_its_own():
    def drawing(ax):
        ax.plot([1, 2], [3, 4])

    results = [
        small_result(drawing=drawing, alt="Fell by 0.5", name=name) for name in ("one", "two")
    ]
    page = page_of(*map(result_cell, results))
    check_page(page.text)
    assert page.text.count("Fell by 0.5") == 4  # the text of the picture and its caption, twice


def test_a_result_shows_the_same_bytes_each_time():
    def drawing(ax):
        ax.plot([1, 2], [3, 4])

    first, second = (small_result(drawing=drawing)._repr_html_() for _ in range(2))
    assert first == second


def test_csv_neutralises_formulas_and_keeps_numbers():
    texts = ["=1+1", "@SUM(A1)", "+49 30 0000", "\t=2+2", "-x", "plain"]
    table = pd.DataFrame({"note": texts, "change": [-0.5] * 6})
    csv = small_result(table=table)._repr_mimebundle_()["application/vnd.outcomes.result+json"]
    lines = csv["csv"].splitlines()[1:]
    assert [line.startswith(("'", "\"'")) for line in lines] == [True] * 5 + [False]
    assert all(line.endswith(",-0.5") for line in lines)


def test_long_tables_and_many_notes_are_parts_to_open_on_a_folded_page_only():
    table = pd.DataFrame({"what": [f"row {n}" for n in range(13)]})
    long = result_cell(small_result(table=table, footnotes=["a", "b", "c", "d"], title="Why <x>?"))
    short = result_cell(small_result(name="short", footnotes=["a"]))
    urgent = result_cell(small_result(name="attention", table=table, footnotes=["a", "b"]))
    notebook = new_notebook(cells=[long, short, urgent])
    folded, whole = (
        assemble(notebook, title="t", subtitle="s", footer="f", folded=folded).text
        for folded in (True, False)
    )
    check_page(folded)
    assert folded.count("<summary>Table of 13 rows: Why &lt;x&gt;?</summary>") == 1
    assert folded.count("<summary>4 notes: Why &lt;x&gt;?</summary>") == 1
    assert folded.count("<details>") == 2
    assert "<details>" not in whole


def test_a_table_without_lines_is_told_in_words():
    empty = small_result(table=pd.DataFrame(columns=["cohort", "estimate"]), caption="Nobody left.")
    assert "<table>" in small_result()._repr_html_()
    assert "<table>" not in empty._repr_html_()
    assert "Nobody left. No line to show." in empty._repr_html_()
