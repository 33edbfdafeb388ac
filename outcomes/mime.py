"""The media type under which a result travels from a kernel to the page."""

from typing import Final

RESULT_MIME: Final = "application/vnd.outcomes.result+json"
