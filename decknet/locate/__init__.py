"""Decks on the ground."""

from decknet.locate.place import Placing, deck_outlines, place_decks

__all__ = ["Placing", "deck_outlines", "place_decks"]
