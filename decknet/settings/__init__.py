"""Settings: every key with its unit, basis and source."""

from decknet.settings.closure import ClosureSettings
from decknet.settings.grid import GridSettings
from decknet.settings.item import Curve
from decknet.settings.load import (
    Settings,
    changed_settings,
    describe,
    load_settings,
    reference,
    searched,
    settings_kept,
)
from decknet.settings.looks import LookSettings, kinds_found
from decknet.settings.network import GrowthSettings, PlaceSettings
from decknet.settings.ranking import (
    RankSettings,
    SoundingSettings,
    TrafficSettings,
    UrgentSettings,
    relative_weights,
    reweighted,
    weights_fault,
    weights_of,
)
from decknet.settings.repairs import LimitSettings, MixSettings, OpeningSettings, QuantitySettings
from decknet.settings.survival import SurvivalSettings
from decknet.settings.works import EFFORT_NAMES, TREATMENTS, ProgrammeSettings, Treatment

__all__ = [
    "EFFORT_NAMES",
    "TREATMENTS",
    "ClosureSettings",
    "Curve",
    "GridSettings",
    "GrowthSettings",
    "LimitSettings",
    "LookSettings",
    "MixSettings",
    "OpeningSettings",
    "PlaceSettings",
    "ProgrammeSettings",
    "QuantitySettings",
    "RankSettings",
    "Settings",
    "SoundingSettings",
    "SurvivalSettings",
    "TrafficSettings",
    "Treatment",
    "UrgentSettings",
    "changed_settings",
    "describe",
    "kinds_found",
    "load_settings",
    "reference",
    "relative_weights",
    "reweighted",
    "searched",
    "settings_kept",
    "weights_fault",
    "weights_of",
]
