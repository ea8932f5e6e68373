"""README.md and the handbook remade from the code: ``python -m tests.readme``.

Between ``<!-- run ... -->`` and ``<!-- end -->`` stand commands and what they print on the demo's files; between
``<!-- made: columns -->`` and ``<!-- end -->`` a table made from the code. Pictures need a browser.
"""

from __future__ import annotations

import io
import re
import shlex
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import chdir, redirect_stderr, redirect_stdout
from pathlib import Path

ROOT = Path(__file__).parents[1]
HANDBOOK = ROOT / "decknet" / "handbook"
DOCUMENTS = (HANDBOOK / "year.md", ROOT / "README.md", *sorted(p for p in HANDBOOK.glob("*.md") if p.name != "year.md"))
_RUN = re.compile(r"(<!-- run(?P<how>[^>]*) -->\n```\n)(?P<body>.*?)(```\n<!-- end -->)", re.S)
_MADE = re.compile(r"(<!-- made: (?P<what>\w+) -->\n)(?P<body>.*?)(<!-- end -->)", re.S)
_CUT = "…"


def tables() -> dict[str, str]:
    """What stands between the marks of tables made from the code."""
    from decknet import columns, demo, settings
    from decknet.columns import views
    from decknet.ingest import codes

    return {
        "columns": columns.reference(), "rules": codes.reference(), "settings": settings.reference(),
        "views": views.view_reference(), "questions": demo.question_reference(),
    }  # fmt: skip


def run(command: str) -> str:
    """What a command prints, in the folder one stands in."""
    from decknet.cli import main

    out = io.StringIO()
    with redirect_stdout(out), redirect_stderr(out):
        main(shlex.split(command.replace("\\\n", " "))[1:])
    return "\n".join(line.rstrip() for line in out.getvalue().strip("\n").splitlines())


def commands(text: str) -> Iterator[tuple[re.Match[str], list[str]]]:
    """Each block of commands with the commands in it."""
    for block in _RUN.finditer(text):
        yield block, re.findall(r"^\$ (decknet (?:[^\n]*\\\n)*[^\n]*)$", block["body"], re.M)


def _shown(printed: str, how: str) -> str:
    first, last = (int(m[1]) if (m := re.search(rf"{word}=(\d+)", how)) else 0 for word in ("first", "last"))
    lines = printed.splitlines()
    if (not first and not last) or len(lines) <= first + last + 1:
        return printed
    return "\n".join([*lines[:first], _CUT, *(lines[-last:] if last else [])])


def in_demo_folder(folder: Path) -> None:
    """Lay the demo's files where the commands look for them."""
    (folder / "data_demo").symlink_to(ROOT / "data_demo")


def printed_in_turn(texts: Iterable[str]) -> dict[str, str]:
    """What each command of the documents prints, each run once, in order, in a folder of its own."""
    out: dict[str, str] = {}
    with tempfile.TemporaryDirectory() as scratch, chdir(scratch):
        in_demo_folder(Path(scratch))
        for text in texts:
            for _, ones in commands(text):
                for one in ones:
                    if one not in out:
                        out[one] = run(one)
    return out


def remade(text: str, printed: dict[str, str]) -> str:
    """A document with what its commands print, and every table made anew."""
    for block, ones in list(commands(text)):
        parts = [f"$ {one}\n{_shown(printed[one], block['how'])}".rstrip("\n") for one in ones]
        text = text.replace(block[0], block[1] + "\n\n".join(parts) + "\n" + block[4])
    made = tables()
    return _MADE.sub(lambda m: m[1] + made[m["what"]] + m[4], text)


def pictures() -> None:
    """The pictures of the documents, from a demo made anew."""
    from decknet.cli import main
    from tests.browser import Browser

    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        main(["demo", str(folder)])
        with Browser() as browser:
            browser.open(folder / "network_map.html")
            browser.settle()
            browser.screenshot(ROOT / "reports" / "network_map.png")
            browser.evaluate("location.hash = '#deck=03008'")
            browser.settle()
            time.sleep(1.0)  # the card glides in
            browser.screenshot(ROOT / "reports" / "deck_card.png")


if __name__ == "__main__":
    texts = {path: path.read_text(encoding="utf-8") for path in DOCUMENTS}
    answers = printed_in_turn(texts.values())
    for path, text in texts.items():
        path.write_text(remade(text, answers), encoding="utf-8")
    pictures()
