"""The words stored where a column is a choice."""

from __future__ import annotations

BAR_KINDS = ("bare", "epoxy", "galvanised", "stainless")
ENVIRONMENTS = ("benign", "de-iced", "marine")
DEFECT_KINDS = ("delamination", "spall", "hole", "exposed bar", "failed patch")
DEPTH_CLASSES = ("partial", "full")
TREATMENTS = ("patch", "patch and seal", "thin overlay", "rigid overlay", "new deck", "other")
BASE_KINDS = ("shoreline", "river", "route", "town", "boundary")
CAUSES = ("open hole", "exposed bar", "danger share", "opening check", "poor rating", "remark")
METHODS = (
    "sounding",
    "chain drag",
    "hammer",
    "impact echo",
    "infrared",
    "radar",
    "half-cell",
    "visual",
    "other",
)
