"""Export files as text: every row with its true line, every cell as it stands, nothing guessed.

Separator and encoding are declared. A block without quotation marks whose lines all have as many
separators is cut where they stand; one whose quotation marks close in each line by a fast reader;
any other goes through the slower one, which knows embedded line ends and ragged rows. The lines of
a file are counted once more from its bytes, apart from the cutting.
"""

from __future__ import annotations

import csv
import gzip
import io
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import BinaryIO, Final

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv

from outcomes.errors import IntakeError, SettingsError
from outcomes.tables.cells import Cells, Vocabulary, cut_at
from outcomes.tables.export_files import SEARCHED_LINES, ExportFile, Seen, TextRows
from outcomes.tables.text_bytes import (
    LINE_END,
    QUOTE,
    UTF8,
    LineCount,
    Turned,
    WiderText,
    number_of,
)

BLOCK_BYTES: Final = 4_000_000  # small enough for what is made of it to stay near the processor
HEADING_BYTES: Final = 100_000
csv.field_size_limit(1 << 30)  # a huge field is set aside by its own rule, not by the reader's


@dataclass(kw_only=True, eq=False, repr=False)
class TextFile(ExportFile):
    """A file of lines and separators, plain or zipped."""

    _last_row: int = 0  # line on which the row cut last begins, whole or not
    _last_lone: int = -1  # line on which the last row of one field ends

    def rows(self) -> Iterator[TextRows]:
        """Yield the rows below the headings, some at a time; `headings` is set before the first.

        Raises
        ------
        IntakeError
            The file is empty, cannot be decoded or unpacked, is UTF-8 where cp1252 is declared, or
            a quotation mark never closes.
        SettingsError
            The file does not exist.
        """
        counted = LineCount(self.source.encoding)
        blocks = self._blocks(counted)
        pending, line = self._take_headings(next(blocks, b""))
        yield self.no_rows_yet()
        held = None
        while True:
            following = next(blocks, None)
            # An embedded line end may straddle two blocks: then they are read as one.
            open_quote = b'"' in pending and number_of(pending, QUOTE) % 2
            if following is not None and open_quote:
                pending += following
                continue
            if pending:
                lines, lone = number_of(pending, LINE_END), self._last_lone
                cut = self._cut(pending, line, lines, last=following is None)
                if len(cut) and cut.lines[0] == lone + 1:
                    cut = replace(cut, unbegun=(*cut.unbegun, int(cut.lines[0])))
                if held is not None:
                    yield self._going_on(held, cut)
                held = self._without_footers(cut)
                line += lines
            if following is None:
                break
            pending = following
        if held is not None:
            last = int(held.lines[-1]) if len(held) else 0
            if self.cut_short and last == self._last_row:
                held = replace(held, unended=(*held.unended, last))
            yield held
        self.sha256 = self._digest.hexdigest()
        self.lines = counted.lines
        self.close_account()

    @staticmethod
    def _going_on(held: TextRows, following: TextRows) -> TextRows:
        """Return the part before `following`, whose last cell may go on in its first line."""
        if not len(held) or held.lines[-1] + 1 not in following.lone:
            return held
        return replace(held, unended=(*held.unended, int(held.lines[-1])))

    def _open(self) -> BinaryIO:
        try:
            if self.path.suffix == ".gz":
                return gzip.open(self.path, "rb")  # type: ignore[return-value]
            return self.path.open("rb")
        except OSError as error:
            raise SettingsError(
                f"{self.name}: cannot be opened ({error.strerror}). Check files in sources.toml."
            ) from error

    def _blocks(self, counted: LineCount) -> Iterator[bytes]:
        """Yield sound UTF-8 in blocks that end with a line end, every line end as \\n."""
        turned = (
            UTF8() if self.source.encoding.startswith("utf-8") else Turned(self.source.encoding)
        )
        wider = WiderText() if self.source.encoding == "cp1252" else None
        pending = b""
        with self._open() as file:
            while True:
                raw, before = self._read(file), counted.ended
                counted.add(raw)
                if wider is not None:
                    wider.add(raw)
                try:
                    pending += turned.add(raw)
                except UnicodeError as error:
                    raise self._not_decodable(error, before) from error
                if not raw:
                    break
                cut = pending.rfind(b"\n") + 1
                if cut:
                    block = _one_line_end(pending[:cut])
                    yield block
                    pending = pending[cut:]
        if wider is not None and wider.is_utf_8:
            raise IntakeError(
                f"{self.name}: cp1252 is declared, but every letter beyond ASCII is written as in "
                'UTF-8. Set encoding = "utf-8" in sources.toml.'
            )
        if pending:
            block = _one_line_end(pending)
            self.cut_short = not block.endswith(b"\n")
            if self.cut_short:
                self.seen.append(
                    Seen("no last line end", 1, "the last line has no end; it may be cut off")
                )
            yield block if block.endswith(b"\n") else block + b"\n"

    def _read(self, file: BinaryIO) -> bytes:
        try:
            raw = file.read(BLOCK_BYTES)
        except (OSError, EOFError, zlib.error) as error:
            raise IntakeError(
                f"{self.name}: cannot be read to its end ({error}). The file is cut off or "
                "damaged; export it again."
            ) from error
        self._digest.update(raw)
        self.bytes_read += len(raw)
        return raw

    def _not_decodable(self, error: UnicodeError, lines: int) -> IntakeError:
        if isinstance(error, UnicodeDecodeError):
            lines += bytes(error.object[: error.start]).count(b"\n")
        return IntakeError(
            f"{self.name}, line {lines + 1}: not {self.source.encoding}. Say the file's encoding "
            "in sources.toml (utf-8, utf-16 or cp1252); it is never guessed."
        )

    def _take_headings(self, data: bytes) -> tuple[bytes, int]:
        """Set the headings; return the bytes below them and the lines above those."""
        # The headings stand in the first lines; the whole block is looked at only if they do not.
        beginning = data[:HEADING_BYTES].decode(errors="ignore")
        found = self._headings_in(beginning, cut=len(data) > HEADING_BYTES)
        if found is None:
            found = self._headings_in(data.decode(), cut=False)
        if found is None:
            raise self.without_headings()
        cells, line, above = found
        self.set_headings(cells, line, [t.decode() for t in data.split(b"\n", above)[:above]])
        return data.split(b"\n", line)[line], line

    def _headings_in(self, text: str, *, cut: bool) -> tuple[list[str], int, int] | None:
        """Return the headings, the lines down to and the lines above them; None if there are none.

        `cut` says that the text goes on: then its last row is not believed.
        """
        above = self.source.skip_lines
        if self.source.heading_line is not None:
            above = self.source.heading_line - 1
        rows, ends = self._first_rows(text, above)
        if cut and rows:
            rows, ends = rows[:-1], ends[:-1]
        if self.source.heading_line is not None:
            rows = rows[:1]
        place = self.headings_among(rows)
        if place is None:
            return None
        return rows[place], ends[place], above if place == 0 else ends[place - 1]

    def _first_rows(self, text: str, above: int) -> tuple[list[list[str]], list[int]]:
        lines = text.split("\n", above)
        if len(lines) <= above:
            return [], []
        reader = csv.reader(_lines(lines[above]), delimiter=self.separator)
        rows: list[list[str]] = []
        ends: list[int] = []
        found = False
        try:
            for row in reader:
                rows.append(row)
                ends.append(above + reader.line_num)
                if found or len(rows) >= SEARCHED_LINES:
                    break  # one more than the headings, since the last one may be cut
                found = self.holds_headings(row)
        except csv.Error as error:
            raise IntakeError(f"{self.name}: the headings cannot be read ({error}).") from error
        return rows, ends

    @property
    def separator(self) -> str:
        """The separator as one character."""
        return "\t" if self.source.separator == "\\t" else self.source.separator

    def _cut(self, data: bytes, line: int, lines: int, *, last: bool) -> TextRows:
        if last and data.endswith(b"\n\n"):
            told = len(data)
            data = data.rstrip(b"\n") + b"\n"  # empty lines at the end are no rows
            self.empty_lines += told - len(data)
            lines -= told - len(data)
            if data == b"\n":
                self.empty_lines += 1
                return self.no_rows_yet()
        rows = None
        if b'"' not in data:
            rows = self._cut_plain(data, line, lines)
        elif not _has_empty_line(data) and _quotes_close_in_each_line(data):
            rows = self._cut_fast(data, line, lines)
        if rows is None:
            return self._cut_carefully(data.decode(), line)
        self._row_lines += len(rows)
        self._last_row = line + lines
        return rows

    def _cut_plain(self, data: bytes, line: int, lines: int) -> TextRows | None:
        """Cut lines without quotation marks; None where one has other fields than the headings."""
        separator = self.separator.encode()
        if len(separator) > 1:
            return None
        codes, width = np.frombuffer(data, dtype=np.uint8), len(self.headings)
        begins, ends = (np.empty((width, lines), dtype=np.int32) for _ in range(2))
        if not cut_at(codes, ord(separator), begins, ends):
            return None
        if width == 1 and (begins == ends).any():
            return None  # an empty line
        return TextRows(
            lines=np.arange(line + 1, line + 1 + lines),
            columns=tuple(
                Cells(data=codes, begin=begin, end=end)
                for begin, end in zip(begins, ends, strict=True)
            ),
        )

    def _cut_fast(self, data: bytes, line: int, lines: int) -> TextRows | None:
        odd_rows: list[object] = []

        def skip(row: object) -> str:
            odd_rows.append(row)
            return "skip"

        names = [str(i) for i in range(len(self.headings))]
        table = pa_csv.read_csv(
            pa.BufferReader(data),
            read_options=pa_csv.ReadOptions(
                column_names=names, use_threads=False, block_size=max(len(data), 1)
            ),
            parse_options=pa_csv.ParseOptions(
                delimiter=self.separator, ignore_empty_lines=False, invalid_row_handler=skip
            ),
            convert_options=pa_csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.string()),
                strings_can_be_null=False,
                check_utf8=False,
            ),
        )
        if odd_rows or table.num_rows != lines:
            return None
        return TextRows(
            lines=np.arange(line + 1, line + 1 + table.num_rows),
            columns=tuple(_one_array(column) for column in table.columns),
        )

    def _cut_carefully(self, text: str, line: int) -> TextRows:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=self.separator)
        whole: list[list[str]] = []
        lines: list[int] = []
        ragged: list[tuple[int, str]] = []
        unended: list[int] = []
        unbegun: list[int] = []
        lone: list[int] = []
        begins = last_line = line + 1
        try:
            for row in reader:
                ends = line + reader.line_num
                if not row:
                    self.empty_lines += ends - begins + 1
                elif self.is_footer(row[0]):
                    self.footers += ends - begins + 1
                else:
                    self._row_lines += ends - begins + 1
                    if len(row) == len(self.headings):
                        if begins - 1 == self._last_lone:
                            unbegun.append(begins)
                        whole.append(row)
                        lines.append(begins)
                    else:
                        if len(row) == 1:
                            lone.append(begins)
                            self._last_lone = ends
                            unended += [last_line] if lines and lines[-1] == last_line else []
                        ragged.append((begins, self._raggedness(row, begins, ends)))
                last_line, begins = begins, ends + 1
        except csv.Error as error:
            raise self._never_closes(begins) from error
        if text.count('"') % 2 and begins - last_line > 1:
            raise self._never_closes(last_line)
        self._last_row = last_line
        columns = zip(*whole, strict=True) if whole else ([] for _ in self.headings)
        return TextRows(
            lines=np.array(lines, dtype=np.int64),
            columns=tuple(pa.array(list(cells), type=pa.string()) for cells in columns),
            ragged=tuple(ragged),
            unended=tuple(unended),
            unbegun=tuple(unbegun),
            lone=tuple(lone),
        )

    def _without_footers(self, rows: TextRows) -> TextRows:
        """Take closing lines out of rows that the fast reader cut."""
        if not self.source.footers or not len(rows):
            return rows
        beginnings = Vocabulary()
        codes = beginnings.codes(Cells.of(rows.columns[0]))
        closing = np.array([self.is_footer(text) for text in beginnings.texts])[codes]
        if not closing.any():
            return rows
        self.footers += int(closing.sum())
        self._row_lines -= int(closing.sum())
        return TextRows(
            lines=rows.lines[~closing],
            columns=tuple(Cells.of(column).where(~closing) for column in rows.columns),
            ragged=rows.ragged,
        )

    def _raggedness(self, row: list[str], begins: int, ends: int) -> str:
        where = f" (lines {begins} to {ends})" if ends > begins else ""
        return f"{len(row)} fields where there are {len(self.headings)} headings{where}"

    def _never_closes(self, line: int) -> IntakeError:
        return IntakeError(
            f"{self.name}, line {line}: a quotation mark opens here and never closes. "
            "The file is cut off or damaged; export it again."
        )


def _lines(text: str) -> Iterator[str]:
    at = 0
    while at < len(text):
        end = text.find("\n", at) + 1 or len(text)
        yield text[at:end]
        at = end


def _has_empty_line(data: bytes) -> bool:
    ends = np.frombuffer(data, dtype=np.uint8) == LINE_END
    return bool(ends[0] or (ends[1:] & ends[:-1]).any())


def _one_line_end(data: bytes) -> bytes:
    return data.replace(b"\r\n", b"\n").replace(b"\r", b"\n") if b"\r" in data else data


def _one_array(column: pa.ChunkedArray) -> pa.Array:
    return column.combine_chunks() if column.num_chunks != 1 else column.chunk(0)


def _quotes_close_in_each_line(data: bytes) -> bool:
    if b'"' not in data:
        return True
    codes = np.frombuffer(data, dtype=np.uint8)
    quotes, line_ends = np.flatnonzero(codes == QUOTE), np.flatnonzero(codes == LINE_END)
    before = np.searchsorted(quotes, line_ends)
    return bool((before % 2 == 0).all())
