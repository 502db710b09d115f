"""The codes that class and limiting rasters hold."""

S1, S2, S3, N = 1, 2, 3, 4
EXCLUDED, MISSING, NOTHING_LIMITS = 250, 255, 253
CLASS_NAMES = {S1: "S1", S2: "S2", S3: "S3", N: "N", EXCLUDED: "excluded", MISSING: "missing"}
CLASS_LABELS = {  # a name and its meaning
    S1: "S1 highly suitable",
    S2: "S2 moderately suitable",
    S3: "S3 marginally suitable",
    N: "N not suitable",
}
STATE_LABELS = {EXCLUDED: "excluded by a constraint", MISSING: "missing: not judged"}
