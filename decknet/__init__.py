"""decknet: bridge-deck surveys and repairs in, a ranked network map and a repair programme out."""
