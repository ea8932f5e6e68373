"""``python -m decknet`` is the command ``decknet``."""

import sys

from decknet.cli import main

sys.exit(main())
