"""Print how good the forecasts are on made-up districts of other forms: ``python -m tests.worlds [SEED ...] [--decks
N]``."""

from __future__ import annotations

import argparse
import time

import pandas as pd

from tests.worlds.district import make_world
from tests.worlds.forms import FORMS
from tests.worlds.graded import SHOWN, classes, gain, grade, summary


def main() -> None:
    """Grade every form on every seed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seeds", type=int, nargs="*", default=[31])
    parser.add_argument("--decks", type=int, default=700)
    parser.add_argument("--forms", default="", help="Numbers of forms, from 0, by comma; all if empty.")
    given = parser.parse_args()
    chosen = [FORMS[int(k)] for k in given.forms.split(",")] if given.forms else FORMS
    parts = []
    for form in chosen:
        for seed in given.seeds:
            start = time.perf_counter()
            part = grade(make_world(form, seed, given.decks)).assign(seed=seed)
            parts.append(part)
            print(
                f"{form.name}, seed {seed}: {len(part)} hidden, CRPS {100 * part['crps_decknet'].mean():.3f} (best "
                f"{100 * part['crps_best'].mean():.3f}), truth inside {part['in_truth'].mean():.0%}, reading inside "
                f"{part['in_decknet'].mean():.0%}, {gain(part):.0%} of the possible gain "
                f"[{time.perf_counter() - start:.0f} s]",
                flush=True,
            )
    graded = pd.concat(parts, ignore_index=True)
    print(summary(graded).to_string(index=False, float_format="{:.3f}".format))
    whole = graded.assign(world="all")
    print(summary(whole).to_string(index=False, float_format="{:.3f}".format))
    print(classes(graded).to_string(index=False, float_format="{:.3f}".format))
    least = min(gain(part) for _, part in graded.groupby(["world", "seed"]))
    print(f"Methods: {', '.join(SHOWN)}. Least gain of any world and seed: {least:.0%}.")


if __name__ == "__main__":
    main()
