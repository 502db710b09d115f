"""Progress of a run: a line on a terminal, plain lines elsewhere, JSON lines on request. Never on stdout.

Every JSON line has `v` (1, the version of the format), `t` (UTC), `lvl` (info, warn, error), `ev` and `run` (the same
for all lines of a run). The events and their other fields:

    run_start   plan, title, plan_sha256, grid, layers, views: all files are opened and checked
    resumed     done, of, damaged: finished tiles of a stopped run are reused
    step        step, of: a step of `of` tiles starts; 0 if it has no tiles
    tile_done   step, done, of, rss [MB, peak so far]
    step_done   step, seconds
    warning     code, what, where, fix
    run_done    folder, seconds, peak_mb, outputs: every file has its final name
    error       code, what, where, fix, exit: the command ends with this exit code; one line per fault
"""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import sys
import time
import traceback
from collections.abc import Iterator
from typing import IO, Any, Literal

from underoak.base.errors import BUG, Fault, UnderoakError, printable
from underoak.engine.system import peak_memory_mb

Show = Literal["auto", "plain", "none"]
_PLAIN_SECONDS = 10.0
_JSON_LIMIT = 65536
_SIGINT = 130


def duration(seconds: float) -> str:
    """Return a duration as text for people.

    >>> duration(42), duration(200), duration(7300)
    ('42 s', '3 min', '2 h 2 min')
    """
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60} min"


def json_line(line: dict[str, Any]) -> str:
    """Return one line of JSON, in ASCII, without control characters and at most 64 KiB long.

    Fields that make it too long are left out, the longest first, and named under `cut`.

    >>> json_line({"ev": "warning", "what": "a\\x1b]0;b\\x7f"})
    '{"ev": "warning", "what": "a\\\\u001b]0;b\\\\u007f"}'
    """
    texts = {key: json.dumps(value, default=str).replace("\x7f", "\\u007f") for key, value in line.items()}
    cut: list[str] = []
    while True:
        shown = texts | ({"cut": json.dumps(cut)} if cut else {})
        text = "{" + ", ".join(f"{json.dumps(key)}: {value}" for key, value in shown.items()) + "}"
        if len(text) < _JSON_LIMIT:
            return text
        longest = max(texts, key=lambda key: len(texts[key]))
        cut.append(longest)
        del texts[longest]


class Progress:
    """A reporter of a run's events, for people and for logs.

    If the log is on stderr, only JSON lines are written there.
    """

    def __init__(self, show: Show = "auto", json_to: IO[str] | None = None, run_id: str = "") -> None:
        self._json = json_to
        self._run = run_id or f"{datetime.datetime.now(datetime.UTC):%Y%m%dT%H%M%SZ}-{os.getpid()}"
        self._live: Any = None
        self._step, self._done, self._of, self._began, self._last_shown = "", 0, 0, 0.0, 0.0
        self._is_log_only = json_to is not None and json_to is sys.stderr
        self._is_quiet = show == "none" or self._is_log_only
        self._is_terminal = show == "auto" and not self._is_quiet and sys.stderr.isatty()

    def log(self, event: str, level: str = "info", **fields: Any) -> None:
        """Write one JSON line, if there is a log."""
        if self._json is None:
            return
        now = datetime.datetime.now(datetime.UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        text = json_line({"v": 1, "t": now, "lvl": level, "ev": event, "run": self._run, **fields})
        try:
            self._json.write(text + "\n")
            self._json.flush()
        except OSError as error:  # a failing log must not end a run
            self._json = None
            if not self._is_log_only:
                what = f"the log cannot be written any more ({error.strerror or error})"
                self.warn(Fault("W502", what, "--log-json", "the run goes on without it"))

    def say(self, text: str) -> None:
        """Write a sentence to stderr."""
        self._clear()
        if not self._is_quiet:
            print(printable(text), file=sys.stderr, flush=True)

    def warn(self, fault: Fault) -> None:
        """Write a warning to stderr, also in quiet mode, and to the log."""
        self._clear()
        if not self._is_log_only:
            print(str(fault), file=sys.stderr, flush=True)
        self.log("warning", "warn", code=fault.code, what=fault.what, where=fault.where, fix=fault.fix)

    def failed(self, error: BaseException) -> None:
        """Log the error that ends the command; the caller shows it to people."""
        self._clear()
        faults: tuple[Fault, ...]
        more: dict[str, Any] = {}
        if isinstance(error, UnderoakError):
            faults, more["exit"] = error.faults, error.exit_code
        elif isinstance(error, KeyboardInterrupt):
            faults = (Fault("", "stopped", fix="run again: finished tiles are kept"),)
            more["exit"] = getattr(error, "exit_code", _SIGINT)
        else:
            faults = (Fault("E100", f"a bug in underoak: {type(error).__name__}: {error}", fix="report it"),)
            more = {"exit": BUG, "trace": "".join(traceback.format_exception(error))}
        for fault in faults:
            self.log("error", "error", code=fault.code, what=fault.what, where=fault.where, fix=fault.fix, **more)

    def start(self, step: str, of: int, **more: Any) -> None:
        """Start a step of `of` tiles; 0 if it has no tiles."""
        self._step, self._done, self._of = step, 0, of
        self._began = self._last_shown = time.monotonic()
        self.log("step", step=step, of=of, **more)
        if self._is_terminal:
            self._draw(self._began)

    def advance(self, parts: int = 1) -> None:
        """Count some tiles of the step as done."""
        self._done += parts
        self.log("tile_done", step=self._step, done=self._done, of=self._of, rss=round(peak_memory_mb()))
        if self._is_quiet:
            return
        now = time.monotonic()
        if self._is_terminal:
            self._draw(now)
        elif now - self._last_shown >= _PLAIN_SECONDS:
            print(self._line(now), file=sys.stderr, flush=True)
            self._last_shown = now

    def finish(self) -> None:
        """End the step."""
        self._clear()
        self.log("step_done", step=self._step, seconds=round(time.monotonic() - self._began, 3))

    @contextlib.contextmanager
    def step(self, name: str) -> Iterator[None]:
        """Run a step without tiles."""
        self.start(name, 0)
        yield
        self.finish()

    def _line(self, now: float) -> str:
        if not self._of:
            return f"{self._step} ...  {peak_memory_mb():.0f} MB"
        share = self._done / self._of
        remaining = f"{duration((now - self._began) * (1 - share) / share)} left" if share else "..."
        counts = f"{self._done:,}/{self._of:,}".replace(",", " ")
        return f"{self._step} {counts} tiles  {share:3.0%}  {remaining}  {peak_memory_mb():.0f} MB"

    def _draw(self, now: float) -> None:
        from rich.console import Console
        from rich.live import Live
        from rich.text import Text

        if self._live is None:
            console = Console(stderr=True)
            self._live = Live(console=console, refresh_per_second=8, transient=True)
            self._live.start()
        self._live.update(Text(self._line(now)))

    def _clear(self) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None
