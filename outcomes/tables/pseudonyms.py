"""Ids replaced by keyed pseudonyms: the same id and key give the same one, nobody else can tell.

A pseudonym is the beginning of an HMAC-SHA-256 (RFC 2104, FIPS 198-1) of the id, so that without
the key it can be neither reversed nor recomputed from a list of ids. The key is read from a file or
from the environment and never written.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import os
from dataclasses import dataclass, field

from outcomes.errors import SettingsError
from outcomes.plan.sources import Sources

SHORTEST_KEY = 16  # bytes
CHARACTERS = 20  # 100 bits: two of a million ids meet with a chance below 1 in 10**18


@dataclass(frozen=True, eq=False, repr=False)
class Pseudonymiser:
    """Turns ids into pseudonyms; one id is another pseudonym in another kind of column."""

    _key: bytes
    _known: dict[tuple[str, str], str] = field(default_factory=dict)

    def __call__(self, column: str, text: str) -> str:
        """Return the pseudonym of an id that stands in a column of this name."""
        if (column, text) not in self._known:
            digest = hmac.new(self._key, f"{column}\0{text}".encode(), hashlib.sha256).digest()
            code = base64.b32encode(digest).decode().lower()[:CHARACTERS]
            self._known[column, text] = f"x{code}"
        return self._known[column, text]


def pseudonymiser(sources: Sources) -> Pseudonymiser | None:
    """Return what turns ids into pseudonyms; None where ids stay as they are.

    Raises
    ------
    SettingsError
        The key is absent or shorter than 16 bytes.
    """
    asked = sources.pseudonyms
    if asked is None:
        return None
    if asked.key_file is not None:
        place = f"file {asked.key_file}"
        try:
            key = (sources.folder / asked.key_file).read_bytes().strip()
        except OSError as error:
            raise SettingsError(
                f"sources, pseudonyms: key_file cannot be read ({error.strerror})."
            ) from error
    else:
        place = f"environment variable {asked.key_environment}"
        key = os.environ.get(str(asked.key_environment), "").strip().encode()
    if len(key) < SHORTEST_KEY:
        raise SettingsError(
            f"sources, pseudonyms: the key in {place} has {len(key)} bytes; give {SHORTEST_KEY} or "
            "more, at random, and keep it where the exports are kept."
        )
    return Pseudonymiser(key)
