"""Classes S1, S2, S3 and N of a suitability."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

from underoak.base.codes import CLASS_NAMES
from underoak.base.errors import Problems

ByteArray = npt.NDArray[np.uint8]
Cuts = tuple[float, float, float]
Cap = Literal["weakest", "none"]

CUTS: Cuts = (0.75, 0.50, 0.25)  # ours: the framework of FAO (1976, from memory) fixes no numbers


def check_classes(cuts: Cuts, cap: str = "weakest") -> Cuts:
    """Return the cuts (S1, S2, S3) if they fall and lie within 0..1, and the cap is a known word.

    >>> check_classes((0.8, 0.6, 0.4))
    (0.8, 0.6, 0.4)

    Raises:
        UnderoakError: E318 otherwise.
    """
    problems = Problems()
    s1, s2, s3 = cuts
    if not 1.0 >= s1 > s2 > s3 > 0.0:
        what = f"class cuts S1 {s1:g}, S2 {s2:g}, S3 {s3:g} must fall and lie above 0 and not above 1"
        problems.add("E318", what, "classes", "write for example S1: 0.75, S2: 0.50, S3: 0.25")
    if cap not in ("weakest", "none"):
        problems.add("E318", f'cap cannot be "{cap}"', "classes", "write weakest or none")
    problems.stop_if_any()
    return float(s1), float(s2), float(s3)


def classify(
    suitability: npt.ArrayLike, weakest: npt.ArrayLike | None = None, cuts: Cuts = CUTS, cap: Cap = "weakest"
) -> ByteArray:
    """Return class codes 1..4 of suitability, 255 where it is NaN; the value of a cut is in the better class.

    With `weakest`, the lowest membership among the criteria with a weight, the class is at best one above the class of
    that (cap "weakest"), so that S1 never hides a fatal factor. Scores and cuts are compared as float32:
    the class raster always follows from the suitability raster. The capping is common practice, no source.

    >>> classify([0.75, 0.7499, 0.25, 0.1, float("nan")]).tolist()
    [1, 2, 3, 4, 255]
    >>> classify(0.9, weakest=0.1), classify(0.9, weakest=0.1, cap="none")
    (np.uint8(3), np.uint8(1))

    Raises:
        UnderoakError: E318 as in `check_classes`.
        ValueError: when the two arrays differ in shape.
    """
    scores = np.asarray(suitability, np.float32, order="C")
    least = scores if weakest is None else np.asarray(weakest, np.float32, order="C")
    if least.shape != scores.shape:
        raise ValueError(f"suitability is {scores.shape}, the lowest memberships are {least.shape}")
    s1, s2, s3 = (np.float32(cut) for cut in check_classes(cuts, cap))
    from underoak.overlay import class_kernels  # compiled code is loaded when it is needed

    out = np.empty(scores.shape, np.uint8)
    class_kernels.classify(scores.reshape(-1), least.reshape(-1), s1, s2, s3, cap == "weakest", out.reshape(-1))
    return out if out.ndim else out[()]


def class_name(code: int) -> str:
    """Return the name of a class code.

    >>> class_name(2), class_name(250), class_name(255)
    ('S2', 'excluded', 'missing')
    """
    return CLASS_NAMES[code]
