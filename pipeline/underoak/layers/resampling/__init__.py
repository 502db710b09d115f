"""Resampling: from the source grid to the analysis grid."""
