"""The network map, measured: size of the page, and time until a reader sees it."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Self

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from decknet.demo import TODAY
from decknet.settings import Settings
from decknet.show import DeckRecords, network_map

__all__ = ["map_page"]

PROGRAMS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
FLAGS = ("--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking")
_YEARS = 5
_SURVEYS = 8
_DRAWN = 3  # every third deck has a drawn survey
_SHAPES = 12
_TIMED = "(() => {{ const t = performance.now(); {}; return (performance.now() - t) / 1e3; }})()"


@dataclass(frozen=True, slots=True)
class _Works:
    lines: pd.DataFrame
    years: pd.DataFrame
    waiting: pd.DataFrame
    facts: dict[str, float]


def _status(decks: int, rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Decks about as wide apart as in a district of 200, with figures of every kind."""
    reach = 0.4 * np.sqrt(decks / 200)
    share, growth = rng.gamma(1.2, 0.05, decks).clip(0, 1), rng.gamma(1.0, 0.008, decks)
    rank = np.argsort(np.argsort(-share, kind="stable"))
    ids = [f"{i:07d}" for i in range(decks)]
    near = zip(rng.integers(1, 20, decks), _words(decks, rng), strict=True)
    why = "{}th of {}: {:.1f} % of the deck unsound, growing {:.2f} points a year."
    frame = pd.DataFrame(
        {
            "deck_id": ids,
            "bridge_id": ids,
            "name": [f"{a} {b} Bridge {i}" for i, (a, b) in enumerate(_words(decks, rng))],
            "route": [f"R {r}" for r in rng.integers(1, 40, decks)],
            "place": [f"{d} km from {a}" for d, (a, _) in near],
            "length_m": rng.uniform(12, 120, decks).round(1),
            "width_m": rng.uniform(7, 15, decks).round(1),
            "built_year": rng.integers(1930, 2020, decks),
            "share_now": share,
            "share_low": share * 0.7,
            "share_high": np.minimum(share * 1.5, 1),
            "share_from": rng.choice(["survey", "network"], decks, p=[0.9, 0.1]),
            "survey_date": pd.Timestamp(TODAY) - pd.to_timedelta(rng.integers(30, 1500, decks), unit="D"),
            "method": rng.choice(["chain drag", "sounding"], decks),
            "covered_share": 1.0,
            "unsound_share": share,
            "delaminated_share": share * 0.8,
            "growth_per_yr": growth.clip(0, 1),
            "growth_low": (growth * 0.5).clip(0, 1),
            "growth_high": (growth * 1.7).clip(0, 1),
            "growth_from": "own surveys",
            "aadt": np.exp(rng.normal(7.5, 1.2, decks)).round(),
            "aadt_from": "count",
            "priority": 100 * share,
            "rank": rank + 1,
            "rank_low": np.maximum(rank - 20, 1),
            "rank_high": np.minimum(rank + 20, decks),
            "reason": [why.format(r + 1, decks, 100 * s, 100 * g) for r, s, g in zip(rank, share, growth, strict=True)],
        }
    )  # fmt: skip
    frame["area_m2"] = frame["length_m"] * frame["width_m"]
    frame["urgent"] = pd.Series("35 % unsound or more", index=frame.index).where(share > 0.35)
    frame["urgent_state"] = pd.Series("open", index=frame.index).where(share > 0.35)
    points = shapely.points(-135 + rng.normal(0, reach, decks), (-45 + rng.normal(0, reach / 2, decks)).clip(-80, 80))
    return gpd.GeoDataFrame(frame, geometry=points, crs=4326)


def _words(count: int, rng: np.random.Generator) -> list[tuple[str, str]]:
    first = ("Marl", "Otter", "Tarn", "Gull", "Fen", "Sedge", "Alder", "Quell", "Rush", "Heron")
    second = ("Hollow", "Weir", "Mill", "Ford", "Brook", "Lane", "Cross", "Moor", "Street", "Gate")
    a, b = rng.integers(0, 10, (2, count))
    return [(first[i], second[j]) for i, j in zip(a, b, strict=True)]


def _frames(decks: int, drawn: bool, seed: int) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, _Works, DeckRecords]:
    rng = np.random.default_rng(seed)
    status = _status(decks, rng)
    ids, share, growth = (status[n].to_numpy() for n in ("deck_id", "share_now", "growth_per_yr"))
    x, y = status.geometry.x.to_numpy(), status.geometry.y.to_numpy()
    chosen = np.flatnonzero(rng.random(decks) < 0.15)
    first = TODAY.year + 1
    lines = pd.DataFrame(
        {
            "deck_id": ids[chosen],
            "year": first + rng.integers(0, _YEARS, len(chosen)),
            "treatment": "patch",
            "label": rng.choice(["Patch", "Rigid overlay", "New deck"], len(chosen)),
            "cost": rng.integers(20_000, 900_000, len(chosen)).astype(float),
            "why": "It avoids much unsound deck under traffic for its money.",
        }
    )
    years = lines.groupby("year", as_index=False)["cost"].sum().assign(budget=lambda f: f["cost"] * 1.01)
    waiting = pd.DataFrame({"deck_id": np.delete(ids, chosen), "why": "Waits for money: others avoid more for it."})
    back = np.arange(_SURVEYS)[:, None]
    since = (back * 730 + rng.integers(0, 500, (_SURVEYS, decks))).ravel()
    surveys = pd.DataFrame(
        {
            "deck_id": np.tile(ids, _SURVEYS),
            "survey_date": pd.Timestamp(TODAY) - pd.to_timedelta(since, unit="D"),
            "method": "chain drag",
            "covered_share": 1.0,
            "unsound_share": np.maximum(share - growth * 2 * back, 0).ravel(),
            "delaminated_share": np.maximum(share - growth * 2 * back, 0).ravel() * 0.8,
        }
    )  # fmt: skip
    surveys = surveys.assign(
        known_unsound=surveys["unsound_share"], known_delaminated=surveys["delaminated_share"], known_covered=1.0
    )
    some = status[status["urgent"].notna()]
    urgent = pd.DataFrame(
        {
            "deck_id": some["deck_id"].array, "state": "open", "why": some["urgent"].array,
            "since": pd.Timestamp(TODAY), "due": pd.Timestamp(TODAY) + pd.Timedelta(days=30),
            "closed_by": "a new survey below the threshold ends this", "ends_year": np.nan, "doubt_year": np.nan,
        }
    )  # fmt: skip
    k = np.arange(1, _YEARS + 1)[:, None]
    nothing = np.minimum(share + growth * k, 1)
    planned = nothing.copy()
    planned[:, chosen] *= 0.1
    ahead = pd.DataFrame(
        {
            "deck_id": np.tile(ids, _YEARS),
            "year": np.repeat(np.arange(first, first + _YEARS), decks),
            "nothing": nothing.ravel(),
            "low": (nothing * 0.7).ravel(),
            "high": np.minimum(nothing * 1.5, 1).ravel(),
            "planned": planned.ravel(),
        }
    )
    lay = pd.DataFrame(
        {
            "deck_id": ids,
            "longitude_deg": x,
            "latitude_deg": y,
            "bearing_deg": rng.uniform(0, 360, decks).round(),
            "length_m": status["length_m"],
            "width_m": status["width_m"],
            "centreline": pd.Series([None] * decks, dtype=object),
        }
    )
    defects = repairs = pd.DataFrame()
    if drawn:
        at = np.repeat(np.arange(0, decks, _DRAWN), _SHAPES)
        spot = shapely.points(
            2 + rng.random(len(at)) * (status["length_m"].to_numpy()[at] - 4),
            (rng.random(len(at)) - 0.5) * 6,
        )
        round_ = shapely.buffer(spot, rng.uniform(0.4, 1.2, len(at)), quad_segs=3)
        defects = pd.DataFrame({"deck_id": ids[at], "kind": "delamination", "shape": round_})
        low = shapely.bounds(round_[::3])
        repairs = pd.DataFrame(
            {
                "deck_id": ids[at[::3]],
                "repair_date": pd.Timestamp(TODAY) - pd.Timedelta(days=900),
                "treatment": "patch",
                "area_m2": 4.0,
                "shape": shapely.box(*low.T),
            }
        )
    base = gpd.GeoDataFrame(
        {"kind": ["shoreline", "route"], "name": ["The shore", "R 1"]},
        geometry=[shapely.Point(-135, -45).buffer(1.2), shapely.LineString([(-136, -45), (-134, -45.1)])],
        crs=4326,
    )
    records = DeckRecords(decks=lay, surveys=surveys, defects=defects, repairs=repairs, urgent=urgent, ahead=ahead)
    return status, base, _Works(lines, years, waiting, {}), records


def map_page(*, decks: int | None = None, seed: int = 1) -> Iterator[tuple[str, float, str]]:
    """Make the page of made-up networks and open each with the network off.

    Parameters
    ----------
    decks : int or None
        One size; None: 1,000, 10,000 and 600,000 decks.
    seed : int

    Yields
    ------
    As ``district``.
    """
    for size in (1_000, 10_000, 600_000) if decks is None else (decks,):
        drawn = size <= 50_000
        status, base, works, records = _frames(size, drawn, seed)
        start = time.perf_counter()
        page = network_map(status, base, works, records, title="Bench", settings=Settings(), today=TODAY)
        took = time.perf_counter() - start
        bare = len(network_map(status.iloc[:1], base, None, title="Bench", settings=Settings(), today=TODAY))
        note = f"{len(page) / 1e6:,.2f} MB, {(len(page) - bare) / size:,.0f} bytes a deck"
        yield f"make the page of {size:,} decks", took, note + ("" if drawn else "; without drawn areas")
        with tempfile.TemporaryDirectory() as name:
            file = Path(name) / "map.html"
            file.write_text(page, encoding="utf-8")
            del page
            yield from _looks(file, size)


def _looks(file: Path, size: int) -> Iterator[tuple[str, float, str]]:
    program = next((p for p in map(shutil.which, PROGRAMS) if p), None)
    if program is None or os.name != "posix":
        yield "time to first view", 0.0, "not measured: no Chromium was found"
        return
    with _Chromium(program) as browser:
        first, whole = browser.open(file)
        redraw, cells = browser.ask(
            "(() => { const t = performance.now(); for (let k = 0; k < 5; k++) decknet.layer.draw();"
            " return [(performance.now() - t) / 5e3, decknet.layer.cells ? decknet.layer.cells.length : 0]; })()"
        )
        theme = browser.ask(_TIMED.format("decknet.setTheme('growth')"))
        words = browser.ask(_TIMED.format("decknet.setFilter({words: 'otter'})"))
    yield f"  first view of {size:,} decks", first, "from opening the file, Chromium, network off"
    yield "  histories, plans and forecasts ready", whole, "the same clock"
    yield "  draw again after a move", redraw, f"{cells:,} cells" if cells else "every deck in view"
    yield "  another theme, with legend and sums", theme, ""
    yield "  filter by words", words, ""


class _Chromium:
    """A headless browser spoken to over a pipe; its network is off."""

    def __init__(self, program: str) -> None:
        self._folder = tempfile.mkdtemp(prefix="decknet-bench-")
        there, ours = os.pipe()
        back, theirs = os.pipe()
        command = f'exec "$0" "$@" 3<&{there} 4>&{theirs}'
        flags = (
            *FLAGS,
            "--remote-debugging-pipe",
            f"--user-data-dir={self._folder}",
            "--window-size=1366,768",
            "about:blank",
        )
        self._process = subprocess.Popen(  # noqa: S603 (the browser found on the path)
            ["/bin/sh", "-c", command, program, *flags], pass_fds=(there, theirs), stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(there)
        os.close(theirs)
        self._out: IO[bytes] = os.fdopen(ours, "wb", buffering=0)
        self._in: IO[bytes] = os.fdopen(back, "rb")
        self._last, self._session = 0, ""
        target = self._send("Target.createTarget", url="about:blank")["targetId"]
        self._session = self._send("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        self._send("Network.enable")
        off = {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
        self._send("Network.emulateNetworkConditions", **off)

    def _send(self, method: str, **params: Any) -> dict[str, Any]:
        self._last += 1
        message: dict[str, Any] = {"id": self._last, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        self._out.write(json.dumps(message).encode() + b"\0")
        while True:
            raw = bytearray()
            while (letter := self._in.read(1)) != b"\0":
                if not letter:
                    raise RuntimeError("the browser ended before it answered")
                raw += letter
            answer = json.loads(raw)
            if answer.get("id") == self._last:
                result: dict[str, Any] = answer.get("result", {})
                return result

    def ask(self, script: str) -> Any:
        """Value of a JavaScript expression; promises are awaited."""
        answer = self._send("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        return answer.get("result", {}).get("value")

    def open(self, file: Path) -> tuple[float, float]:
        """Open a page; seconds to its first view and until it is whole."""
        self._send("Page.navigate", url=file.as_uri())
        while not self.ask("location.protocol === 'file:' && typeof decknet === 'object' && Boolean(decknet.ready)"):
            time.sleep(0.02)
        first, whole = self.ask(
            "decknet.ready.then(() => { const d = document.documentElement.dataset; return [+d.firstView, +d.whole]; })"
        )
        return first / 1e3, whole / 1e3

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        try:
            self._session = ""
            self._send("Browser.close")
        except (OSError, RuntimeError):
            self._process.terminate()
        self._out.close()
        self._in.close()
        try:
            self._process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        shutil.rmtree(self._folder, ignore_errors=True)
