"""Whether a page stands alone: nothing from elsewhere, no code, every picture described."""

from __future__ import annotations

import re
from html.parser import HTMLParser

from outcomes.errors import ReportError

URL_ATTRIBUTES = {"src", "href", "xlink:href", "action", "data", "poster", "srcset", "formaction"}
FORBIDDEN_TAGS = {"script", "link", "iframe", "object", "embed", "form", "base", "audio", "video"}
LOCAL = re.compile(r"#|data:(image|font)/")
CSS_URL = re.compile(r"url\(\s*['\"]?(?!#|data:)", re.IGNORECASE)


class _Page(HTMLParser):
    """Collect what breaks a rule while the page is read."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.problems: list[str] = []
        self.ids: set[str] = set()
        self.seen: set[str] = set()
        self.open_tags: list[str] = []
        self.language = ""
        self.title = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = {name: value or "" for name, value in attrs}
        self.seen.add(tag)
        if tag in FORBIDDEN_TAGS:
            self.problems.append(f"a <{tag}>")
        if tag == "html":
            self.language = values.get("lang", "")
        if tag == "img" and not values.get("alt", "").strip():
            self.problems.append("a picture without alternative text")
        if tag == "svg" and values.get("role") == "img" and "aria-labelledby" not in values:
            self.problems.append("a figure without alternative text")
        self._check_attributes(values)
        self.open_tags.append(tag)

    def _check_attributes(self, values: dict[str, str]) -> None:
        for name, value in values.items():
            if name.startswith("on"):
                self.problems.append(f"an event handler {name}")
            if name in URL_ATTRIBUTES and not LOCAL.match(value) and not _beside(value):
                self.problems.append(f"an address in {name}")
            if name == "style" and CSS_URL.search(value):
                self.problems.append("an address in a style")
        identifier = values.get("id")
        if identifier is not None:
            if identifier in self.ids:
                self.problems.append(f"the id {identifier} twice")
            self.ids.add(identifier)

    def handle_endtag(self, tag: str) -> None:
        while self.open_tags and self.open_tags.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        inside = self.open_tags[-1] if self.open_tags else ""
        if inside == "style" and ("@import" in data or CSS_URL.search(data)):
            self.problems.append("an address in the style sheet")
        if inside == "title" and "svg" not in self.open_tags:
            self.title += data


def _beside(address: str) -> bool:
    """Tell whether an address is a table lying beside the page, the only file it may point to."""
    return re.fullmatch(r"tables/[a-z0-9_]+\.csv", address) is not None


def check_page(page: str, *, limit_bytes: int = 3_000_000) -> None:
    """Raise `ReportError` naming every broken rule, unless the page stands alone.

    Rules: nothing is loaded from anywhere, no code, no address but links within the page and to
    the tables beside it, no id twice, every picture described, a language, a title, one `main`,
    and a size within `limit_bytes`.
    """
    reader = _Page()
    reader.feed(page)
    problems = reader.problems
    if not reader.language:
        problems.append("no language")
    if not reader.title.strip():
        problems.append("no title")
    if "main" not in reader.seen:
        problems.append("no main part")
    if len(page.encode()) > limit_bytes:
        problems.append(f"{len(page.encode()):,} bytes where {limit_bytes:,} are allowed")
    if problems:
        raise ReportError(f"the page would hold {'; '.join(problems)}. It was not written.")
