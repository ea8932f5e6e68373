"""The commands: arguments in, text and exit code out.

Nothing heavy is imported at the top, so that help answers at once.
"""

from __future__ import annotations

import codecs
import sys
from collections.abc import Sequence

import typer

from decknet.commands import answers, ask, keeping, outputs, programme, records, trial
from decknet.errors import DecknetError

__all__ = ["main"]

app = typer.Typer(
    help="Bridge-deck surveys and repairs in; a ranked network map and a budgeted repair programme out.",
    epilog="Start with: decknet demo",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _plainer(lost: UnicodeError) -> tuple[str, int]:
    """What a window that cannot show a character gets instead: a minus stays a minus."""
    if not isinstance(lost, UnicodeEncodeError):
        raise lost
    return "".join("-" if c == "−" else "?" for c in lost.object[lost.start : lost.end]), lost.end


codecs.register_error("decknet", _plainer)


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command.

    Returns
    -------
    int
        0 fine, 1 the data is refused, 2 the command was misused.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure") and (stream.encoding or "").lower() not in {"utf-8", "utf8"}:
            stream.reconfigure(errors="decknet")
    try:
        app(args=list(argv) if argv is not None else None, prog_name="decknet")
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else int(stop.code is not None)
    except DecknetError as why:
        typer.echo(f"decknet: {why}", err=True)
        return 1
    return 0


for group in (records, answers, ask, programme, outputs, keeping, trial):
    group.add_to(app)
