"""Vector files in: GeoPackage, GeoJSON and Shapefile."""

from underoak.layers.formats.vector.features import MAX_POINTS, NOTE, read_features
from underoak.layers.formats.vector.outlines import Shapes
from underoak.layers.formats.vector.vector_file import vector_files, vector_size

__all__ = ["MAX_POINTS", "NOTE", "Shapes", "read_features", "vector_files", "vector_size"]
