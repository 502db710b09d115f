"""Starter plans: a commented plan and a short README."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from underoak.base.errors import Fault, Problems, UnderoakError, did_you_mean
from underoak.plan.keys.plan_keys import PURPOSES

_STARTERS = Path(__file__).parent / "starters"


def new(folder: str | Path, purpose: str) -> list[Path]:
    """Write `plan.yaml` and `README.txt` for a purpose (buy, orchard, restore, region), and create the folder `data`.

    Return the written paths, the plan first. Existing files are not changed.

    Raises:
        UnderoakError: E304 an unknown purpose, E306 a file that exists already, E502 a folder that is not writable.
    """
    return write_starter(folder, {"plan.yaml": starter_plan(purpose), "README.txt": _text(f"{purpose}.txt")})


def starter_plan(purpose: str) -> str:
    """Return the text of the starter plan for a purpose.

    Raises:
        UnderoakError: E304 an unknown purpose.
    """
    if purpose not in PURPOSES:
        fix = did_you_mean(purpose, PURPOSES, "write one of: " + ", ".join(PURPOSES))
        raise UnderoakError(Fault("E304", f'the purpose "{purpose}" is not known', fix=fix))
    return _text(f"{purpose}.yaml")


def write_starter(folder: str | Path, texts: Mapping[str, str]) -> list[Path]:
    """Write texts by file name into a folder, and create its folder `data`; return the paths in their order.

    Raises:
        UnderoakError: E306 a file that exists already, E502 a folder that is not writable.
    """
    target = Path(folder)
    paths = {target / name: text for name, text in texts.items()}
    problems = Problems()
    for path in paths:
        if path.exists():
            problems.add("E306", "exists already", str(path), "name another folder, or move the file away")
    problems.stop_if_any()
    try:
        (target / "data").mkdir(parents=True, exist_ok=True)
        for path, text in paths.items():
            with path.open("x", encoding="utf-8", newline="\n") as file:
                file.write(text)
    except FileExistsError as error:
        what = "exists already and is not a folder" if not target.is_dir() else "exists already"
        raise UnderoakError(Fault("E306", what, str(error.filename or target), "name another folder")) from error
    except OSError as error:
        what = f"cannot be written to ({error.strerror})"
        raise UnderoakError(
            Fault("E502", what, str(target), "name another folder, or change its permissions")
        ) from error
    return list(paths)


def _text(name: str) -> str:
    return (_STARTERS / name).read_text(encoding="utf-8")
