"""Open rasters in: one door for each format, decoded once, and resampled once onto the analysis grid."""

from underoak.layers.asked import Asked
from underoak.layers.files import Trust
from underoak.layers.open import EXTENSIONS, open_source
from underoak.layers.source import Reading, Source, SourceFacts

__all__ = ["EXTENSIONS", "Asked", "Reading", "Source", "SourceFacts", "Trust", "open_source"]
