"""Settings: every key with its unit, basis and source."""

from decknet.settings.item import Curve
from decknet.settings.load import Settings, describe, load_settings
from decknet.settings.network import GrowthSettings, PlaceSettings, RankSettings, UrgentSettings
from decknet.settings.repairs import LimitSettings, MixSettings, OpeningSettings, QuantitySettings
from decknet.settings.works import TREATMENTS, ProgrammeSettings, Treatment

__all__ = [
    "TREATMENTS",
    "Curve",
    "GrowthSettings",
    "LimitSettings",
    "MixSettings",
    "OpeningSettings",
    "PlaceSettings",
    "ProgrammeSettings",
    "QuantitySettings",
    "RankSettings",
    "Settings",
    "Treatment",
    "UrgentSettings",
    "describe",
    "load_settings",
]
