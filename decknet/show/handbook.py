"""The handbook as one page that opens in a browser with no network."""

from __future__ import annotations

import re
from importlib import resources
from typing import NamedTuple

from jinja2 import Environment, StrictUndefined
from markdown_it import MarkdownIt

__all__ = ["PAGES", "handbook"]

PAGES = ("year", "ranking", "programme", "map", "questions", "python", "files", "settings", "commands")
_MARKS = re.compile(r"<!--.*?-->\n?", re.S)  # of what is made from the code
_PICTURE = re.compile(r"^!\[[^\]]*\]\([^)]*\)\n?", re.M)
_LINK = re.compile(r"\]\((\w+)\.md\)")


class Part(NamedTuple):
    """A section of a page: its name in the address, title (empty before the first heading) and HTML."""

    name: str
    title: str
    html: str


class Page(NamedTuple):
    """A page: its name in the address, title and sections."""

    name: str
    title: str
    parts: tuple[Part, ...]


def handbook() -> str:
    """The HTML of the whole handbook, contents and search beside it; pictures are left out."""
    page = resources.files("decknet.show").joinpath("page", "handbook.html").read_text(encoding="utf-8")
    template = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return template.from_string(page).render(pages=[_page(name) for name in PAGES])


def _page(name: str) -> Page:
    text = resources.files("decknet").joinpath("handbook", f"{name}.md").read_text(encoding="utf-8")
    title, _, rest = _LINK.sub(r"](#\1)", _PICTURE.sub("", _MARKS.sub("", text))).partition("\n")
    set_in = MarkdownIt("commonmark", {"html": False}).enable("table")
    pieces = re.split(r"^## (.+)$", rest, flags=re.M)
    titles = ["", *pieces[1::2]]
    parts = [
        Part(f"{name}-{re.sub(r'[^a-z0-9]+', '-', said.lower()).strip('-')}", said, set_in.render(body))
        for said, body in zip(titles, pieces[::2], strict=True)
        if body.strip()
    ]
    return Page(name, title.removeprefix("# "), tuple(parts))
