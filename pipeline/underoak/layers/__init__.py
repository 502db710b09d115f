"""Open rasters in: one door for each format, decoded once, and resampled once onto the analysis grid."""

from underoak.layers.files import Trust
from underoak.layers.formats.open import EXTENSIONS, open_source
from underoak.layers.layer_request import LayerRequest
from underoak.layers.source import Reading, Source, SourceFacts

__all__ = ["EXTENSIONS", "LayerRequest", "Reading", "Source", "SourceFacts", "Trust", "open_source"]
