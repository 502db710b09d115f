"""The end of a command: what it prints, faults as lines, and the exit code."""

from __future__ import annotations

import functools
import os
import sys
import traceback
from collections.abc import Callable
from typing import ParamSpec

import click

from underoak.base.errors import BUG, Fault, UnderoakError, printable
from underoak.base.memory_errors import is_shortage, shortage

P = ParamSpec("P")

_SIGINT = 130


def report_faults(command: Callable[P, None]) -> Callable[..., None]:
    """Print the faults of a command to stderr and exit with their code; a traceback needs `--debug`."""

    @click.option("--debug", is_flag=True, help="Print a traceback with every error.")
    @functools.wraps(command)
    def wrapped(*args: P.args, debug: bool, **kwargs: P.kwargs) -> None:  # type: ignore[valid-type]  # click adds it
        try:
            command(*args, **kwargs)
        except UnderoakError as error:
            if debug:
                traceback.print_exc()
            for fault in error.faults:
                click.echo(str(fault), err=True)
            if all(fault.is_warning for fault in error.faults):
                click.echo("Stopped: with --strict, warnings count as errors.", err=True)
            leave_hung_threads(error.exit_code)
            sys.exit(error.exit_code)
        except KeyboardInterrupt as error:
            click.echo("Stopped. No result file is incomplete.", err=True)
            sys.exit(exit_code(error))
        except BrokenPipeError:  # the reader of our output has left
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            sys.exit(0)
        except (click.ClickException, click.exceptions.Exit, SystemExit):
            raise
        except Exception as error:
            if debug:
                traceback.print_exc()
            if is_shortage(error):
                short = shortage("working on it", reason=str(error)[:200])
                click.echo(str(short), err=True)
                sys.exit(short.exit_code)
            what = f"a bug in underoak: {type(error).__name__}: {error}"
            click.echo(str(Fault("E100", what, fix="run again with --debug, and report the output")), err=True)
            sys.exit(BUG)

    return wrapped


def print_lines(text: str, err: bool = False) -> None:
    """Print lines to stdout, or to stderr; names in them may come from files, so control characters are escaped."""
    click.echo("\n".join(printable(line) for line in text.split("\n")), err=err)


def leave_hung_threads(code: int) -> None:
    """End the process here if a thread hangs in a file: the interpreter would wait for it."""
    if "underoak.layers.formats.read_watch" not in sys.modules:
        return
    from underoak.layers.formats.read_watch import overdue_read

    if overdue_read(0.0) is not None:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def exit_code(error: BaseException) -> int:
    """Return the exit code that `report_faults` ends with."""
    return int(getattr(error, "exit_code", _SIGINT if isinstance(error, KeyboardInterrupt) else BUG))
