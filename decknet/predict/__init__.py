"""What will happen."""

from decknet.predict.damage import damage_ever, deck_lives
from decknet.predict.growth import fit_growth, pool_rates

__all__ = ["damage_ever", "deck_lives", "fit_growth", "pool_rates"]
