"""Write the demo district: ``python -m decknet.demo FOLDER``."""

from __future__ import annotations

import sys
from pathlib import Path

from decknet.demo.district import make_district


def main(arguments: list[str]) -> int:
    """Write the demo files into the folder named; 2 where none is."""
    if len(arguments) != 1 or arguments[0].startswith("-"):
        sys.stderr.write("usage: python -m decknet.demo FOLDER\n")
        return 2
    make_district(Path(arguments[0]))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
