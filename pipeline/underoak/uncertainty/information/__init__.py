"""Information: the value of a soil test, lab results, soil points, calibration of maps."""
