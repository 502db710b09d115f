"""The folder is cheap to import: the compiler comes when a kernel is first needed."""

from __future__ import annotations

import subprocess
import sys


def test_curves_weights_and_rules_need_no_compiler() -> None:
    code = (
        "import sys\n"
        "from underoak.overlay import Curve, Rules, pairwise_from_ratios\n"
        "Curve.hump(1, 2, 3, 4); Rules((1, 1)); pairwise_from_ratios(['a', 'b'], [('a', 'b', 2)])\n"
        "print(sorted({'numba', 'scipy', 'pandas', 'rasterio', 'xarray'} & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
