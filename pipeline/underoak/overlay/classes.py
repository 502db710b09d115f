"""Classes S1, S2, S3 and N of a suitability."""

from __future__ import annotations

from collections.abc import Sequence
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


def check_essential(essential: Sequence[int], count: int) -> tuple[int, ...]:
    """Return the indices of the essential criteria among `count`, in plan order, each once.

    >>> check_essential([2, 0, 2], 3)
    (0, 2)

    Raises:
        ValueError: when there is no criterion of an index.
    """
    indices = sorted(set(essential))
    if indices and not 0 <= indices[0] <= indices[-1] < count:
        raise ValueError(f"essential criteria {indices} are not all among {count}")
    return tuple(indices)


def classify(
    suitability: npt.ArrayLike,
    weakest: npt.ArrayLike | None = None,
    cuts: Cuts = CUTS,
    cap: Cap = "weakest",
    essential: npt.ArrayLike | None = None,
) -> ByteArray:
    """Return class codes 1..4 of suitability, 255 where it is NaN; the value of a cut is in the better class.

    With `weakest`, the lowest membership among the criteria with a weight, the class is at best one above the class of
    that (cap "weakest"), so that S1 never hides a fatal factor. With `essential`, the lowest membership among the
    essential criteria, the class is never above the class of that, under any cap; NaN is not known, and holds nothing.
    Scores and cuts are compared as float32: the class raster always follows from the rasters it is made of. Both rules
    are common practice, no source.

    >>> classify([0.75, 0.7499, 0.25, 0.1, float("nan")]).tolist()
    [1, 2, 3, 4, 255]
    >>> classify(0.9, weakest=0.1), classify(0.9, weakest=0.1, cap="none")
    (np.uint8(3), np.uint8(1))
    >>> classify(0.9, weakest=0.6, essential=0.6), classify(0.9, cap="none", essential=0.1)
    (np.uint8(2), np.uint8(4))

    Raises:
        UnderoakError: E318 as in `check_classes`.
        ValueError: when the arrays differ in shape.
    """
    scores = np.asarray(suitability, np.float32, order="C")
    least = scores if weakest is None else np.asarray(weakest, np.float32, order="C")
    if least.shape != scores.shape:
        raise ValueError(f"suitability is {scores.shape}, the lowest memberships are {least.shape}")
    s1, s2, s3 = (np.float32(cut) for cut in check_classes(cuts, cap))
    from underoak.overlay import class_kernels  # compiled code is loaded when it is needed

    out = np.empty(scores.shape, np.uint8)
    class_kernels.classify(scores.reshape(-1), least.reshape(-1), s1, s2, s3, cap == "weakest", out.reshape(-1))
    if essential is not None:
        lowest = np.asarray(essential, np.float64, order="C")
        if lowest.shape != scores.shape:
            raise ValueError(f"suitability is {scores.shape}, the lowest essential memberships are {lowest.shape}")
        edge = np.empty(lowest.size)
        class_kernels.hold_to_essential(lowest.reshape(-1), s1, s2, s3, 0.0, out.reshape(-1), edge)
    return out if out.ndim else out[()]


def class_name(code: int) -> str:
    """Return the name of a class code.

    >>> class_name(2), class_name(250), class_name(255)
    ('S2', 'excluded', 'missing')
    """
    return CLASS_NAMES[code]
