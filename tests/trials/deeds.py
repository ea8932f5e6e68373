"""What a trial's child does beside the commands themselves: look at a store, keep a programme, make images."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import shutil
import signal
import traceback
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from decknet import cli
from decknet.columns import FAULT, RECORDS
from decknet.errors import DecknetError
from decknet.keep import Store, add_programme
from decknet.keep.engine import connect, disconnect
from decknet.keep.frames import fingerprints, from_store, to_store
from tests.frames import rows

NOW = datetime(2026, 11, 25, 9, 30)


def said_by(*argv: str) -> tuple[int, str]:
    """A command's exit code and all that it said; 70 where it broke."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        try:
            code = cli.main([str(a) for a in argv])
        except BaseException:
            traceback.print_exc()
            code = 70
    return code, out.getvalue()


def content(path: Path) -> dict[str, Any]:
    """What a store holds, by intake: of each record the rows and a number that hangs on all of them."""
    with Store.open(path) as store:
        db = store.connection
        out: dict[str, Any] = {}
        for kind in RECORDS:
            query = f"SELECT intake_id, count(*), bit_xor(hash(row_id, fingerprint)) FROM {kind} GROUP BY ALL"
            for intake, count, every in db.execute(query).fetchall():
                out.setdefault(f"intake {intake}", {})[kind] = [count, str(every)]
        out["undone"] = [r[0] for r in db.execute("SELECT intake_id FROM intake_undone ORDER BY ALL").fetchall()]
        lines = (
            "SELECT name, count(*) FROM programme JOIN programme_line USING (programme_id) GROUP BY ALL ORDER BY ALL"
        )
        out["programmes"] = [list(r) for r in db.execute(lines).fetchall()]
    return out


def tell(path: str) -> int:
    """Print what a store holds."""
    print(json.dumps(content(Path(path))))  # noqa: T201
    return 0


def look(path: str, backup: str, then: list[list[str]], last: list[str]) -> int:
    """See whether a store is whole; else do what the message says, and print what came of it.

    Parameters
    ----------
    path : str
    backup : str
        Where a message names a backup, this one; empty where there is none.
    then : list of commands
        To be tried on it before anything is brought back.
    last : command
        To be tried once it is whole: there is a way on.
    """
    told: dict[str, Any] = {"then": [], "broke": "", "way": "", "content": None}

    def say(*argv: str) -> tuple[int, str]:
        code, said = said_by(*argv)
        if code not in (0, 1, 2) or "Traceback" in said:
            told["broke"] = told["broke"] or f"{' '.join(argv)}: {said}"
        return code, said

    told["verify"] = say("verify", path)
    for argv in then:
        before = _digest(Path(path))
        code, said = say(*argv)
        told["then"].append([code, said, _digest(Path(path)) == before])
    code, said = told["verify"]
    if code:
        if "decknet recover" in said:
            told["way"] = "recover"
            code, said = say("recover", path) if "--from BACKUP" not in said else (1, said)
            told["recover"] = [code, said]
        if code and backup and "--from BACKUP" in said:
            told["way"] = "backup"
            code, said = say("recover", path, "--from", backup)
            told["recover"] = [code, said]
    told["code"], told["said"] = code, said
    if not code:
        try:
            told["content"] = content(Path(path))
        except Exception:  # to be told, whatever it is
            told["broke"] = told["broke"] or traceback.format_exc()
        if last:
            told["last"] = say(*last)
    print(json.dumps(told))  # noqa: T201
    return 0


def _digest(path: Path) -> str:
    made = hashlib.sha256()
    for file in (path, path.with_name(path.name + ".wal")):
        made.update(file.read_bytes() if file.exists() else b"none")
    return made.hexdigest()


def _programme() -> tuple[dict[str, pd.DataFrame], dict[str, Any]]:
    """Lines of a programme, and what is kept beside them."""
    count = 400
    lines = pd.DataFrame(
        {
            "deck_id": [f"d{n}" for n in range(count)], "year": 2027, "treatment": "patch", "deck_m2": 400.0,
            "repair_m2": 20.0, "crew_days": 3.0, "cost": 9000.0, "benefit": 12.0, "share_before": 0.05,
            "share_after": 0.01, "urgent": False, "pinned": False, "based_on": "survey of 2026-05-12", "why": "x",
            "label": "Patch",
        }
    )  # fmt: skip
    values = {
        "made_at": NOW, "made_by": "t", "software": "t", "first_year": 2027, "seed": 0, "budgets": "[1]",
        "settings": "{}", "facts": json.dumps({"cost_total": 9000.0 * count}),
    }  # fmt: skip
    return {"lines": lines}, values


def keep_programme(path: str) -> int:
    """Keep a programme, as the command does once it is made."""
    try:
        with Store.open(Path(path), read_only=False) as store:
            add_programme(store, "agreed", *_programme())
    except DecknetError as why:
        print(f"decknet: {why}")  # noqa: T201
        return 1
    return 0


def make_older(path: str, of: str) -> int:
    """A store of the third layout with all that another holds, as far as that layout has a place for it."""
    db = connect(Path(path), read_only=False)
    store = Store(db, Path(path), read_only=False)
    store.lay_out(3)
    db.execute(f"ATTACH '{of}' AS newer (READ_ONLY)")
    named = "SELECT table_name, list(column_name) FROM duckdb_columns() WHERE database_name = 'store' GROUP BY ALL"
    tables = dict(db.execute(named).fetchall())
    for table in sorted(tables, key=lambda t: (t not in ("intake", "programme"), t)):
        if table != "schema_step":
            names = ", ".join(f'"{n}"' for n in tables[table])
            db.execute(f'INSERT INTO "{table}" ({names}) SELECT {names} FROM newer."{table}"')
        if table in RECORDS:  # a fingerprint is of the columns that there were
            columns = tuple(c for c in RECORDS[table].columns if c.name in tables[table])
            raw = db.execute(f'SELECT * FROM "{table}"').df()
            taken = fingerprints(to_store(from_store(raw, columns), columns))
            told = pd.DataFrame({"row_id": raw["row_id"], "taken": taken})
            db.register("told", told)
            db.execute(f'UPDATE "{table}" SET fingerprint = told.taken FROM told WHERE told.row_id = "{table}".row_id')
            db.unregister("told")
    db.execute("CREATE OR REPLACE SEQUENCE record_number START 1000000")
    db.execute("CREATE OR REPLACE SEQUENCE intake_number START 1000")
    db.execute("DETACH newer")
    db.execute("CHECKPOINT store")
    disconnect(Path(path), db)
    return 0


def _bridges(first: int, count: int) -> pd.DataFrame:
    return rows("bridge", bridge_id=[f"b{n:06d}" for n in range(first, first + count)])


def _counts(first: int, count: int) -> pd.DataFrame:
    each = np.arange(first, first + count)
    return rows("traffic", bridge_id=[f"b{n:06d}" for n in each], year=[2020] * count, aadt=(each % 5000).astype(float))


def make_images(folder: str, many: int) -> int:
    """Images of a store and its log after each of several intakes, and after the log was folded in.

    Parameters
    ----------
    folder : str
        Image n is ``n.file`` and, where there is a log, ``n.log``; what each holds is ``n.json``.
    many : int
        Rows of the third intake; from 122,880 on the engine writes them to the file before it writes the log.
    """
    place = Path(folder)
    path = place / "made.duckdb"
    no_faults = pd.DataFrame(columns=list(FAULT))
    source = place / "source.csv"
    with Store.create(path, title="Trial", currency="USD", now=NOW, software="test") as store:
        store.add(_named(source, "0"), {"bridge": _bridges(0, 50)}, no_faults, rows_read=50, rows_kept=50, now=NOW,
                  who="t", software="test")  # fmt: skip
    _image(place, path, 0)
    store = Store.open(path, read_only=False)
    for n, records in enumerate(
        ({"bridge": _bridges(40, 300)}, {"traffic": _counts(0, many)}, {"bridge": _bridges(5000, 20)}), start=1
    ):
        store.add(_named(source, str(n)), records, no_faults, rows_read=1, rows_kept=1, now=NOW, who="t",
                  software="test")  # fmt: skip
        _image(place, path, n)
    store.undo(2, now=NOW, who="t")
    _image(place, path, 4)
    store.close()
    _image(place, path, 5)
    return 0


def _named(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def _image(place: Path, path: Path, number: int) -> None:
    shutil.copyfile(path, place / f"{number}.file")
    log = path.with_name(path.name + ".wal")
    trial = place / "seen.duckdb"
    trial_log = trial.with_name(trial.name + ".wal")
    for left in (trial, trial_log):
        left.unlink(missing_ok=True)
    shutil.copyfile(path, trial)
    if log.exists():
        shutil.copyfile(log, place / f"{number}.log")
        shutil.copyfile(log, trial_log)
    (place / f"{number}.json").write_text(json.dumps(content(trial)), encoding="utf-8")


def end_at_layout(path: str, step: str) -> int:
    """Lay a store out up to a step and end without a word, its log left as it is."""
    db = connect(Path(path), read_only=False)
    store = Store(db, Path(path), read_only=False)
    store.lay_out(int(step))
    if int(step):
        db.execute("INSERT INTO about VALUES ('format', 'decknet store'), ('title', 'Old'), ('currency', 'USD')")
    os.kill(os.getpid(), signal.SIGKILL)
    return 0


def keep_and_end(path: str) -> int:
    """Keep a programme and end without a word once it is stored, its log left as it is."""
    store = Store.open(Path(path), read_only=False)
    add_programme(store, "agreed", *_programme())
    os.kill(os.getpid(), signal.SIGKILL)
    return 0
