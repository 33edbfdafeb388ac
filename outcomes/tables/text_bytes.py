"""The bytes of text files: turned into sound UTF-8, and counted apart from the reading."""

from __future__ import annotations

import codecs
from typing import Final

import numpy as np

QUOTE: Final = ord('"')
LINE_END: Final = ord("\n")


def number_of(data: bytes, byte: int) -> int:
    """Return how often a byte stands in `data`."""
    return int(np.count_nonzero(np.frombuffer(data, dtype=np.uint8) == byte))


class Turned:
    """Bytes of another encoding, turned into UTF-8."""

    def __init__(self, encoding: str) -> None:
        self._decoder = codecs.getincrementaldecoder(encoding)(errors="strict")

    def add(self, raw: bytes) -> bytes:
        """Return the next bytes; none close the file."""
        return self._decoder.decode(raw, final=not raw).encode()


class UTF8:
    """Bytes of UTF-8 looked at for soundness, and passed on without a byte-order mark."""

    def __init__(self) -> None:
        self._decoder = codecs.getincrementaldecoder("utf-8")(errors="strict")
        self._first = b""
        self._begun = False

    def add(self, raw: bytes) -> bytes:
        """Return the next bytes; none close the file."""
        # What is ASCII need not be decoded, unless a letter of several bytes was left open.
        if not raw.isascii() or self._decoder.getstate()[0]:
            self._decoder.decode(raw, final=not raw)
        if self._begun:
            return raw
        self._first += raw
        if raw and len(self._first) < len(codecs.BOM_UTF8):
            return b""
        self._begun = True
        return self._first.removeprefix(codecs.BOM_UTF8)


class WiderText:
    """Tells whether bytes that any one-byte code could be are UTF-8 throughout.

    Two and more letters of a one-byte code hardly ever make a sound sequence of UTF-8, so that a
    file in which all of them do is UTF-8, whatever was declared.
    """

    def __init__(self) -> None:
        self._decoder = codecs.getincrementaldecoder("utf-8")(errors="strict")
        self._wide = False
        self._sound = True

    @property
    def is_utf_8(self) -> bool:
        """Whether there were bytes beyond ASCII, and all of them sound UTF-8."""
        return self._wide and self._sound

    def add(self, raw: bytes) -> None:
        """Look at the next bytes; none close the file."""
        if not self._sound:
            return
        self._wide = self._wide or not raw.isascii()
        try:
            self._decoder.decode(raw, final=not raw)
        except UnicodeDecodeError:
            self._sound = False


class LineCount:
    """Counts the lines of a file from its bytes alone; a last line without its end counts too."""

    def __init__(self, encoding: str) -> None:
        self._wide = encoding == "utf-16"
        self._ends = 0
        self._open = False  # whether something stands behind the last line end
        self._after_return = False
        self._odd = b""
        self._big = False
        self._started = False

    @property
    def ended(self) -> int:
        """How many lines with an end were there."""
        return self._ends

    @property
    def lines(self) -> int:
        """How many lines were there."""
        return self._ends + self._open

    def add(self, raw: bytes) -> None:
        """Count the line ends of the next bytes: \\n, \\r and \\r\\n are one each."""
        if self._wide:
            raw = self._narrow(raw)
        elif not self._started and raw.startswith(b"\xef\xbb\xbf"):
            raw = raw[3:]
        self._started = self._started or bool(raw)
        if not raw:
            return
        returns = number_of(raw, ord("\r")) if b"\r" in raw else 0
        pairs = raw.count(b"\r\n") if returns else 0
        self._ends += number_of(raw, LINE_END) + returns - pairs
        if self._after_return and raw.startswith(b"\n"):
            self._ends -= 1
        self._after_return = raw.endswith(b"\r")
        self._open = not raw.endswith((b"\n", b"\r"))

    def _narrow(self, raw: bytes) -> bytes:
        """Return one byte for each 16-bit unit: the unit where it is a line end, else a dot."""
        raw = self._odd + raw
        even = len(raw) // 2 * 2
        self._odd = raw[even:]
        if not self._started and even >= 2:
            self._started = True
            self._big = raw[:2] == b"\xfe\xff"
            if raw[:2] in (b"\xfe\xff", b"\xff\xfe"):
                raw, even = raw[2:], even - 2
        units = np.frombuffer(raw[:even], dtype=">u2" if self._big else "<u2")
        ends = np.isin(units, (10, 13))
        return np.where(ends, units, ord(".")).astype(np.uint8).tobytes()
