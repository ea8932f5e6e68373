"""What a survey says."""

from decknet.measure.share import area_once, survey_shares, unsound_share

__all__ = ["area_once", "survey_shares", "unsound_share"]
