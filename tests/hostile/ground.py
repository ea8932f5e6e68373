"""The ground on which hostile files are tried: what they might reach is laid out beside them and watched."""

from __future__ import annotations

import hashlib
import json
import os
import socket
import sqlite3
import threading
from contextlib import closing
from datetime import datetime
from pathlib import Path

import numpy as np
import pyogrio
import shapely

from decknet import flow
from decknet.cli import main
from decknet.keep import Store

CANARY = "CANARY-77"  # the number of a bridge that stands only in files nobody asked for
FIELDS = {"bridge_id": [CANARY], "name": ["Not asked for"]}


class Listener:
    """A socket on this computer that counts who asks."""

    def __init__(self):
        self.asked = []
        self._socket = socket.socket()
        self._socket.bind(("127.0.0.1", 0))
        self._socket.listen(64)
        self.port = self._socket.getsockname()[1]
        threading.Thread(target=self._answer, daemon=True).start()

    def _answer(self):
        while True:
            try:
                caller, _ = self._socket.accept()
            except OSError:
                return
            with caller:
                self.asked.append("a connection")
                caller.settimeout(2)
                try:
                    self.asked.append(caller.recv(200).decode("latin-1"))
                    caller.sendall(b"HTTP/1.0 404 Not Found\r\nContent-Length: 0\r\n\r\n")
                except OSError:
                    pass

    def close(self):
        self._socket.close()


def layer(path, fields=None, **how):
    """A layer of one point, by the driver of the ending."""
    fields = fields or FIELDS
    pyogrio.raw.write(
        path, np.array(shapely.to_wkb([shapely.Point(9.8, 56.1)]), dtype=object),
        [np.array(v, dtype=object) for v in fields.values()], list(fields), geometry_type="Point",
        crs="EPSG:4326", **how,
    )  # fmt: skip
    return path


class Ground:
    """A folder to put files into, another that must not be touched, and a listener."""

    def __init__(self, folder):
        self.folder = folder
        self.inbox, self.outside, self.here = folder / "inbox", folder / "outside", folder / "here"
        for place in (self.inbox, self.outside, self.here):
            place.mkdir()
        self.listener = Listener()
        self.url = f"http://127.0.0.1:{self.listener.port}"
        self.canary = layer(self.outside / "canary.geojson")
        (self.outside / "canary.csv").write_text("bridge id,name\n" + CANARY + ",Not asked for\n")
        layer(self.outside / "canary.gpkg", layer="bridges")
        (self.outside / "canary.kml").write_text(kml(f"<name>{CANARY}</name>"))
        (self.outside / "canary.prj").write_text(f'LOCAL_CS["{CANARY}",UNIT["m",1]]')
        self.written = self.outside / "written.csv"
        self.store = folder / "store.duckdb"
        flow.create(self.store, title="T", currency="USD", now=datetime(2026, 1, 1))

    def put(self, name, content):
        path = self.inbox / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    def seen(self):
        """Every file but the store's own, with its bytes and the time it was last changed."""
        out = {}
        for path in sorted(self.folder.rglob("*")):
            if path.name.startswith(self.store.name) or path.is_dir() or not path.is_file():
                continue
            out[str(path)] = (path.lstat().st_mtime_ns, hashlib.sha256(path.read_bytes()).hexdigest())
        return out

    def load(self, capsys, *paths, code=1):
        """Bring files in as a user would; whatever becomes of them, nothing outside is read, asked or written."""
        before, counts, asked = self.seen(), self.held(), len(self.listener.asked)
        old = Path.cwd()
        os.chdir(self.here)
        try:
            got = main(["load", str(self.store), *map(str, paths)])
        finally:
            os.chdir(old)
        said = capsys.readouterr()
        assert "Traceback" not in said.err + said.out
        assert self.listener.asked[asked:] == []
        assert self.seen() == before
        assert got == code or (code is None and got in (0, 1)), said
        with Store.open(self.store) as store:
            kinds = [store.current(kind) for kind in ("bridge", "deck", "survey", "defect", "base")]
        for frame in kinds:
            text = frame[[c for c in frame.columns if frame[c].dtype != "object"]].astype("str")
            assert not text.apply(lambda c: c.str.contains(CANARY, regex=False)).any().any()
        if got:
            lines = said.err.strip().splitlines()
            assert len(lines) == len(paths), said
            for line, path in zip(lines, paths, strict=True):
                assert line.startswith("decknet: ")
                assert path.name in line
                assert line.endswith((".", "?"))
                assert line.count(". ") >= 1, line  # a rule, and what to do about it
            assert self.held() == counts
        return said.err + said.out

    def held(self):
        with Store.open(self.store) as store:
            return len(store.intakes()), len(store.history("bridge"))


def kml(inner, head=""):
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>{head}<kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
        f"<Placemark>{inner}<Point><coordinates>9.8,56.1</coordinates></Point></Placemark></Document></kml>"
    )


def collection(**more):
    """GeoJSON of one bridge of its own."""
    own = {"bridge_id": "010", "name": "Own", "deck_length_m": 40, "deck_width_m": 10}
    feature = {"type": "Feature", "properties": own, "geometry": {"type": "Point", "coordinates": [9.8, 56.1]}}
    return {"type": "FeatureCollection", **more, "features": [feature]}


def geopackage(path, *statements, functions=()):
    """A GeoPackage of one bridge of its own, with statements run on it afterwards."""
    layer(path, {"bridge_id": ["010"], "name": ["Own"]}, layer="bridges")
    with closing(sqlite3.connect(path)) as db:
        for name in functions:
            db.create_function(name, -1, lambda *_: None, deterministic=True)
        for statement in statements:
            db.execute(statement)
        db.commit()
    return path


def dumps(what):
    return json.dumps(what)
