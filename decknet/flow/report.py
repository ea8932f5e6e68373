"""Everything a reader takes away, made aside and moved into a folder as one."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

from decknet import show
from decknet.errors import DecknetError
from decknet.flow.changes import FIGURES, figures_of, read_figures, whats_new
from decknet.flow.compare import Cut
from decknet.flow.files import software
from decknet.flow.findings import Findings, find
from decknet.flow.outputs import draw_map, face
from decknet.flow.programme import Study
from decknet.settled import for_json

__all__ = ["FILES", "Report", "report"]

INDEX = "index.html"
_ASIDE = ".part-report-"

# What each file is -> its name, what it holds and for whom.
FILES: dict[str, tuple[str, str]] = {
    "summary": (
        "summary.pdf",
        "One page for a manager: state, what is urgent, money year by year, what more would buy.",
    ),
    "document": (
        "programme.pdf",
        (
            "The report: state, act now, the programme year by year with reasons, what is left undone, what other sums "
            "would buy, how good forecasts have been, method and sources, cautions."
        ),
    ),
    "network map": (
        "network_map.html",
        "The network on a map, for any browser and without a network: every deck with its figures, defects and works.",
    ),
    "workbook": (
        "programme.xlsx",
        (
            "Programme, ranking, act-now list, limits with quantities, what was done, and every setting with its "
            "source, as tables to filter and calculate with."
        ),
    ),
    "deck pages": (
        "deck_pages.pdf",
        (
            "A page for each deck that cannot wait or is in the programme: surveys as drawn, forecast, works, limits, "
            "history."
        ),
    ),
    "GIS file": (
        "network.gpkg",
        "Bridges, decks, defects, limits, repairs and works as styled layers (GeoPackage, WGS 84).",
    ),
    "figures": (FIGURES, "The totals of this run for a script, and by which the next run says what has changed."),
}


@dataclass(frozen=True, slots=True)
class Report:
    """What was written.

    Attributes
    ----------
    files : dict of str to Path
        What each file is, in plain words, and where; the page that leads to all of them first.
    since : str or None
        Day of the figures of the run before; None where this is the first.
    changes : tuple of str
        What is new since then, in sentences.
    differ : tuple of str
        Files that differ from that run; empty where the run was the same in every byte.
    same : bool
        Whether every file has the bytes it had before.
    """

    files: dict[str, Path]
    since: str | None
    changes: tuple[str, ...]
    differ: tuple[str, ...]
    same: bool


def report(
    found: Study, folder: Path, *, tiles: str | None = None, paper: str = "a4",
    step: Callable[[str], None] = lambda _: None,
) -> Report:  # fmt: skip
    """Summary, document, map, workbook, deck pages, GeoPackage and the page that leads to them.

    All files are made aside first; then each takes the place of the older one, and where one cannot, all go back.

    Parameters
    ----------
    found : Study
        The programme, and the condition of the network that it is shown on.
    folder : Path
        Other files in it are left alone.
    tiles : str or None
        Address of a tile background for the map.
    paper : str
        ``"a4"`` or ``"us-letter"``.
    step : callable
        Told what is being made, in the words of ``findings.STEPS`` and ``FILES``.

    Raises
    ------
    DecknetError
        The folder cannot be written; the files of an earlier run are still whole.
    """
    condition, programme = found.condition, found.made
    more = find(found, step=step)
    made: dict[str, bytes] = {}
    for what, make in _makers(found, more, tiles, paper).items():
        step(f"Writing the {what}")
        made[FILES[what][0]] = make()
    old = read_figures(folder)
    figures = for_json(figures_of(found, made))
    changes = whats_new(old, figures)
    same = old is not None and {**figures, "changes": changes} == old
    text = json.dumps({**figures, "changes": changes}, indent=1, ensure_ascii=False, allow_nan=False)
    made[FIGURES] = f"{text}\n".encode()
    shown = [
        {"name": name, "what": what, "holds": holds, "bytes": len(made[name])}
        for what, (name, holds) in FILES.items()
        if name in made
    ]
    page = show.contents(
        condition.status, programme, urgent=condition.urgent, title=condition.title, settings=found.settings,
        today=condition.today, files=shown, changes=changes, software=software(), curve=more.curve, past=more.forecasts,
        face=face(condition, found),
    )  # fmt: skip
    made[INDEX] = page.encode("utf-8")
    _move_whole(made, folder, _gone(old, made, folder))
    files = {"start here": folder / INDEX}
    files |= {what: folder / name for what, (name, _) in FILES.items() if name in made}
    return Report(files, changes["since"], tuple(changes["told"]), () if same else tuple(changes["files"]), same)


def _makers(found: Study, more: Findings, tiles: str | None, paper: str) -> dict[str, Callable[[], bytes]]:
    """What each file is, and how it is made."""
    condition, programme, past = found.condition, found.made, more.history
    status, base = condition.status, condition.base
    common: dict[str, Any] = {
        "title": condition.title, "settings": found.settings, "today": condition.today,
        "face": face(condition, found),
    }  # fmt: skip
    urgent: dict[str, Any] = {"urgent": condition.urgent}
    told: dict[str, Any] = {"curve": more.curve, "past": more.forecasts}
    sheets = {str(page.deck["deck_id"]): FILES["deck pages"][0] for page in more.pages}
    makers: dict[str, Callable[[], bytes]] = {
        "summary": lambda: show.summary(status, programme, base, **urgent, **common, **told, paper=paper),
        "document": lambda: show.document(
            status, programme, base, **urgent, **common, **told, paper=paper, patches=more.patches,
            cut=more.cut.changes if isinstance(more.cut, Cut) else more.cut,
        ),
        "network map": lambda: draw_map(condition, found, tiles=tiles, sheets=sheets).encode("utf-8"),
        "workbook": lambda: show.workbook(
            status, programme, **urgent, hazards=condition.ledger, **common, limits=more.limits,
            repairs=past.repairs, surveys=past.surveys,
            survival=past.survival, map_page=FILES["network map"][0], paper=paper,
        ),
        "GIS file": lambda: show.geopackage(
            status, condition.outlines, condition.defects, programme, base, bridges=past.bridges, limits=past.limits,
            repairs=past.repaired, hazards=condition.hazard_points, settings=found.settings,
            face=face(condition, found),
        ),
    }  # fmt: skip
    if more.pages:
        makers["deck pages"] = lambda: show.deck_pages(more.pages, **common, paper=paper)
    return makers


def _gone(old: Mapping[str, Any] | None, made: Mapping[str, bytes], folder: Path) -> list[str]:
    """Files of the run before that this one does not make and nobody has changed since; they would mislead."""
    out = []
    for name, digest in (old or {}).get("files", {}).items():
        path = folder / Path(name).name
        if name not in made and path.is_file() and sha256(path.read_bytes()).hexdigest() == digest:
            out.append(path.name)
    return out


def _move_whole(made: Mapping[str, bytes], folder: Path, gone: list[str]) -> None:
    """Write files aside, then put all of them in place; where one cannot be, put everything back as it was."""
    moved: list[str] = []
    aside = None
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for left in folder.glob(f"{_ASIDE}*"):
            shutil.rmtree(left, ignore_errors=True)  # of a run that was cut off
        aside = Path(tempfile.mkdtemp(dir=folder, prefix=_ASIDE))
        new, before = aside / "new", aside / "before"
        new.mkdir()
        before.mkdir()
        for name, data in made.items():
            (new / name).write_bytes(data)
        try:
            for name in [*made, *gone]:
                target = folder / name
                moved.append(name)
                if target.exists():
                    target.replace(before / name)
                if name in made:
                    (new / name).replace(target)
        except OSError:
            for name in reversed(moved):
                if not (new / name).exists() and name in made:
                    (folder / name).unlink(missing_ok=True)
                if (before / name).exists():
                    (before / name).replace(folder / name)
            raise
    except OSError as why:
        raise DecknetError(
            f"{folder}: the report cannot be written ({why.strerror}; {why.filename}). Close files of it that are open "
            "in another program, make room, or choose another folder with --save-to. The earlier report stands."
        ) from why
    finally:
        if aside is not None:
            shutil.rmtree(aside, ignore_errors=True)
