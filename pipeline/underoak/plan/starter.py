"""Starter plans: a commented plan and a short README to begin with."""

from __future__ import annotations

from pathlib import Path

from underoak.base.errors import Fault, Problems, UnderoakError, did_you_mean
from underoak.plan.keys.plan_keys import PURPOSES

_STARTERS = Path(__file__).parent / "starters"


def new(folder: str | Path, purpose: str) -> list[Path]:
    """Write `plan.yaml` and `README.txt` for a purpose (buy, orchard, restore, region), and make the folder `data`.

    The paths written, the plan first. Nothing that is there already is touched.

    Raises:
        UnderoakError: E304 a purpose that is not known, E306 a file that is there already, E502 a folder that cannot
            be written to.
    """
    if purpose not in PURPOSES:
        fix = did_you_mean(purpose, PURPOSES, "write one of: " + ", ".join(PURPOSES))
        raise UnderoakError(Fault("E304", f'the purpose "{purpose}" is not known', fix=fix))
    into = Path(folder)
    texts = {into / "plan.yaml": f"{purpose}.yaml", into / "README.txt": f"{purpose}.txt"}
    problems = Problems()
    for path in texts:
        if path.exists():
            problems.add("E306", "is there already", str(path), "name another folder, or move the file away")
    problems.stop_if_any()
    try:
        (into / "data").mkdir(parents=True, exist_ok=True)
        for path, starter in texts.items():
            with path.open("x", encoding="utf-8", newline="\n") as file:
                file.write((_STARTERS / starter).read_text(encoding="utf-8"))
    except FileExistsError as error:
        what = "is there already, and is no folder" if not into.is_dir() else "is there already"
        raise UnderoakError(Fault("E306", what, str(error.filename or into), "name another folder")) from error
    except OSError as error:
        what = f"cannot be written to ({error.strerror})"
        raise UnderoakError(Fault("E502", what, str(into), "name another folder, or mend its permissions")) from error
    return list(texts)
