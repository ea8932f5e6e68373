"""The commands: arguments in, text and exit code out.

Nothing heavy is imported at the top, so that help answers at once.
"""

from __future__ import annotations

import codecs
import errno
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
        if hasattr(stream, "reconfigure"):  # names may hold bytes that no encoding can write
            stream.reconfigure(errors="decknet")
    try:
        app(args=list(argv) if argv is not None else None, prog_name="decknet")
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else int(stop.code is not None)
    except DecknetError as why:
        typer.echo(f"decknet: {why}", err=True)
        return 1
    except OSError as why:
        typer.echo(f"decknet: {_of_system(why)}", err=True)
        return 1
    return 0


_REMEDIES = {
    errno.ENOSPC: "Make room, then do it again.",
    errno.EFBIG: "Make room, then do it again.",
    errno.EDQUOT: "Make room, then do it again.",
    errno.EACCES: "Ask for the right to it, or use another folder.",
    errno.EPERM: "Ask for the right to it, or use another folder.",
    errno.EROFS: "Ask for the right to it, or use another folder.",
}


def _of_system(why: OSError) -> str:
    """What the system refused, as one sentence with a remedy."""
    place = f"{why.filename}: " if why.filename else ""
    remedy = _REMEDIES.get(why.errno or 0, "Check the path and the disk, then do it again.")
    return f"{place}{why.strerror or why}. {remedy}"


for group in (records, answers, ask, programme, outputs, keeping, trial):
    group.add_to(app)
