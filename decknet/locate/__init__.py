"""Decks on the ground."""

from decknet.locate.place import Placing, deck_outlines, place_decks, with_positions

__all__ = ["Placing", "deck_outlines", "place_decks", "with_positions"]
