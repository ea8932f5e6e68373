"""Made-up districts whose truth is not of our own models' form, with the truth kept."""

from __future__ import annotations
