"""Export files as text: every row with its true line, every cell as it stands, nothing guessed.

Separator, encoding and title lines are declared. A block of lines without an embedded line end is
cut by a fast reader; any other goes through the slower one, which knows quotes and ragged rows.
"""

from __future__ import annotations

import codecs
import csv
import gzip
import hashlib
import io
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.csv as pa_csv

from outcomes.errors import IntakeError, SettingsError
from outcomes.plan.sources import TableSource

BLOCK_BYTES: Final = 24_000_000
HEADING_CHARACTERS: Final = 100_000


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class TextRows:
    """Some rows of a file: `lines[i]` is the line on which row i begins; one array a heading.

    `ragged` holds the rows that have more or fewer fields than there are headings: line and why.
    """

    lines: npt.NDArray[np.int64]
    columns: tuple[pa.Array, ...]
    ragged: tuple[tuple[int, str], ...] = ()

    def __len__(self) -> int:
        """Return the number of whole rows; ragged ones are not among them."""
        return len(self.lines)


@dataclass(kw_only=True, eq=False, repr=False)
class ExportFile:
    """One export file, read front to back once.

    `name` is how messages and the accounting call it. After `rows()` is exhausted, `sha256` holds
    the digest of the file's bytes and `cut_short` whether its last line has no end.
    """

    path: Path
    name: str
    source: TableSource
    headings: tuple[str, ...] = ()
    heading_line: int = 0
    sha256: str = ""
    cut_short: bool = False
    _digest: Any = field(default_factory=hashlib.sha256)

    def rows(self) -> Iterator[TextRows]:
        """Yield the rows below the headings, some at a time; `headings` is set before the first.

        Raises
        ------
        IntakeError
            The file is empty, cannot be decoded or unpacked, or a quotation mark never closes.
        SettingsError
            The file does not exist.
        """
        text_blocks = self._blocks()
        first = next(text_blocks, "")
        rest, line = self._take_headings(first)
        yield TextRows(
            lines=np.empty(0, dtype=np.int64),
            columns=tuple(pa.array([], type=pa.string()) for _ in self.headings),
        )
        pending = rest
        while True:
            following = next(text_blocks, None)
            # An embedded line end may straddle two blocks: then they are read as one.
            if following is not None and pending.count('"') % 2:
                pending += following
                continue
            if pending:
                yield self._cut(pending, line, last=following is None)
                line += pending.count("\n")
            if following is None:
                break
            pending = following
        self.sha256 = self._digest.hexdigest()

    def _open(self) -> BinaryIO:
        try:
            if self.path.suffix == ".gz":
                return gzip.open(self.path, "rb")  # type: ignore[return-value]
            return self.path.open("rb")
        except OSError as error:
            raise SettingsError(
                f"{self.name}: cannot be opened ({error.strerror}). Check files in sources.toml."
            ) from error

    def _blocks(self) -> Iterator[str]:
        """Yield decoded text in blocks that end with a line end, every line end as \\n."""
        # Plain UTF-8 may begin with a byte-order mark; both names of it are read alike.
        encoding = "utf-8-sig" if self.source.encoding == "utf-8" else self.source.encoding
        decoder = codecs.getincrementaldecoder(encoding)(errors="strict")
        pending, lines = "", 0
        with self._open() as file:
            while True:
                raw = self._read(file)
                try:
                    text = decoder.decode(raw, final=not raw)
                except UnicodeError as error:
                    raise self._not_decodable(error, lines + pending.count("\n")) from error
                pending += text
                if not raw:
                    break
                cut = pending.rfind("\n") + 1
                if cut:
                    block = _one_line_end(pending[:cut])
                    lines += block.count("\n")
                    yield block
                    pending = pending[cut:]
        if pending:
            block = _one_line_end(pending)
            self.cut_short = not block.endswith("\n")
            yield block if block.endswith("\n") else block + "\n"

    def _read(self, file: BinaryIO) -> bytes:
        try:
            raw = file.read(BLOCK_BYTES)
        except (OSError, EOFError, zlib.error) as error:
            raise IntakeError(
                f"{self.name}: cannot be read to its end ({error}). The file is cut off or "
                "damaged; export it again."
            ) from error
        self._digest.update(raw)
        return raw

    def _not_decodable(self, error: UnicodeError, lines: int) -> IntakeError:
        if isinstance(error, UnicodeDecodeError):
            lines += bytes(error.object[: error.start]).count(b"\n")
        return IntakeError(
            f"{self.name}, line {lines + 1}: not {self.source.encoding}. Say the file's encoding "
            "in sources.toml (utf-8, utf-16 or cp1252); it is never guessed."
        )

    def _take_headings(self, text: str) -> tuple[str, int]:
        """Set the headings; return the text below them and the lines above it."""
        skipped = 0
        while skipped < self.source.skip_lines and text:
            _, _, text = text.partition("\n")
            skipped += 1
        # The headings stand in the first lines; the whole block is looked at only if they do not.
        headings, lines = self._headings_in(text[:HEADING_CHARACTERS])
        if headings is None:
            headings, lines = self._headings_in(text)
        if headings is None:
            raise IntakeError(
                f"{self.name}: empty, without a line of headings. Export it again, or take it out "
                "of sources.toml."
            )
        self.headings = tuple(cell.strip() for cell in headings)
        self.heading_line = skipped + lines
        below = text.split("\n", lines)[lines]
        return below, self.heading_line

    def _headings_in(self, text: str) -> tuple[list[str] | None, int]:
        """Return the first row that is not empty, and the lines down to it."""
        reader = csv.reader(io.StringIO(text), delimiter=self.separator)
        try:
            row = next((row for row in reader if any(cell.strip() for cell in row)), None)
        except csv.Error as error:
            raise IntakeError(f"{self.name}: the headings cannot be read ({error}).") from error
        cut_through = len(text) == HEADING_CHARACTERS and reader.line_num > text.count("\n")
        return (None if cut_through else row), reader.line_num

    @property
    def separator(self) -> str:
        """The separator as one character."""
        return "\t" if self.source.separator == "\\t" else self.source.separator

    def _cut(self, text: str, line: int, *, last: bool) -> TextRows:
        if last:
            text = text.rstrip("\n") + "\n"  # empty lines at the end are no rows
        simple = not ("\n\n" in text or text.startswith("\n"))
        if simple and _quotes_close_in_each_line(text):
            rows = self._cut_fast(text, line)
            if rows is not None:
                return rows
        return self._cut_carefully(text, line)

    def _cut_fast(self, text: str, line: int) -> TextRows | None:
        odd_rows: list[object] = []

        def skip(row: object) -> str:
            odd_rows.append(row)
            return "skip"

        data = text.encode()
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
        if odd_rows or table.num_rows != text.count("\n"):
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
        begins = line + 1
        try:
            for row in reader:
                ends = line + reader.line_num
                if len(row) == len(self.headings):
                    whole.append(row)
                    lines.append(begins)
                elif row:
                    ragged.append((begins, self._raggedness(row, begins, ends)))
                last_line, begins = begins, ends + 1
        except csv.Error as error:
            raise self._never_closes(begins) from error
        if text.count('"') % 2 and begins - last_line > 1:
            raise self._never_closes(last_line)
        columns = zip(*whole, strict=True) if whole else ([] for _ in self.headings)
        return TextRows(
            lines=np.array(lines, dtype=np.int64),
            columns=tuple(pa.array(list(cells), type=pa.string()) for cells in columns),
            ragged=tuple(ragged),
        )

    def _raggedness(self, row: list[str], begins: int, ends: int) -> str:
        where = f" (lines {begins} to {ends})" if ends > begins else ""
        return f"{len(row)} fields where there are {len(self.headings)} headings{where}"

    def _never_closes(self, line: int) -> IntakeError:
        return IntakeError(
            f"{self.name}, line {line}: a quotation mark opens here and never closes. "
            "The file is cut off or damaged; export it again."
        )


def _one_line_end(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text


def _one_array(column: pa.ChunkedArray) -> pa.Array:
    return column.combine_chunks() if column.num_chunks != 1 else column.chunk(0)


def _quotes_close_in_each_line(text: str) -> bool:
    if '"' not in text:
        return True
    data = np.frombuffer(text.encode(), dtype=np.uint8)
    quotes = np.flatnonzero(data == ord('"'))
    line_ends = np.flatnonzero(data == ord("\n"))
    before = np.searchsorted(quotes, line_ends)
    return bool((before % 2 == 0).all())
