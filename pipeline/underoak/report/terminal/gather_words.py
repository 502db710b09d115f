"""What is to be gathered and what was, as lines for the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from underoak.base.command_name import command_name
from underoak.base.errors import count_of

if TYPE_CHECKING:
    from underoak.sources.gather.gather import Gathered, Survey, Task
    from underoak.sources.gather.wanted import Wanted


def survey_lines(survey: Survey) -> list[str]:
    """Return lines on what is to be fetched: a line for each file, and the sum."""
    lines = [f"{each.name}: is there already" for each in survey.there]
    lines += [_task_line(task) for task in survey.tasks]
    files = count_of(survey.n_files, "remote file")
    to_come = survey.bytes_to_come
    lines.append(f"To fetch: {size_words(to_come)} from {files}." if to_come else f"All of {files} is stored here.")
    return lines


def gathered_lines(gathered: Gathered, plan: Path | None) -> list[str]:
    """Return lines on what was gathered, with the words that its licences ask for, and the next step."""
    lines = [f"{each.name}: made" for each in gathered.files]
    lines += [f"{each.name}: was there already" for each in gathered.there]
    lines.append(f"{size_words(gathered.fetched_bytes)} came over the network.")
    lines += _credit_lines([*gathered.files, *gathered.there])
    lines.append(f"Next: {command_name()} check {plan if plan is not None else 'PLAN'}")
    return lines


def _task_line(task: Task) -> str:
    chosen = task.wanted.chosen
    line = f"{task.wanted.name}: {chosen.data_set.title}, {chosen.name}, {count_of(len(task.parts), 'remote file')}"
    line += f", {size_words(task.bytes_to_come)}" if task.bytes_to_come else ", stored here"
    if task.absent:
        line += f"; {count_of(len(task.absent), 'tile')} absent by the set's own list, and missing in the file"
    return line


def _credit_lines(files: Sequence[Wanted]) -> list[str]:
    lines = []
    for each in files:
        data_set = each.chosen.data_set
        credit = f"{data_set.attribution.value}; " if data_set.attribution else ""
        lines.append(f"Credit: {credit}{data_set.title}, {data_set.licence.value}")
    return list(dict.fromkeys(lines))


def size_words(n_bytes: int) -> str:
    """Return a size in words.

    >>> size_words(0), size_words(900), size_words(2_340_000)
    ('nothing', '900 bytes', '2.3 MB')
    """
    if n_bytes < 1000:
        return count_of(n_bytes, "byte") if n_bytes else "nothing"
    return f"{n_bytes / 1e6:,.1f} MB".replace(",", " ") if n_bytes >= 100_000 else f"{n_bytes / 1e3:.0f} kB"
