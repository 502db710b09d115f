"""How far a run is: a line on a terminal, plain lines elsewhere, JSON lines on request. Never on stdout."""

from __future__ import annotations

import datetime
import json
import sys
import time
from typing import IO, Any, Literal

from underoak.errors import Fault

Show = Literal["auto", "plain", "none"]
_PLAIN_SECONDS = 10.0
_JSON_LIMIT = 65536


def resident_mb() -> float:
    """Peak memory of this process so far [MB]; 0 where the system does not say."""
    try:
        import resource
    except ImportError:  # Windows
        return 0.0
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1e6 if sys.platform == "darwin" else peak / 1024.0


def duration(seconds: float) -> str:
    """A span of time as a person says it.

    >>> duration(42), duration(200), duration(7300)
    ('42 s', '3 min', '2 h 2 min')
    """
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60} min"


class Progress:
    """Tells events of a run to people and to logs."""

    def __init__(self, show: Show = "auto", json_to: IO[str] | None = None, run_id: str = "") -> None:
        self._json = json_to
        self._run = run_id
        self._live: Any = None
        self._step, self._done, self._of, self._began, self._told = "", 0, 0, 0.0, 0.0
        self._terminal = show == "auto" and sys.stderr.isatty()
        self._quiet = show == "none"

    def log(self, event: str, level: str = "info", **fields: Any) -> None:
        """One JSON line, if asked for: UTC time, control characters escaped."""
        if self._json is None:
            return
        now = datetime.datetime.now(datetime.UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        line = {"v": 1, "t": now, "lvl": level, "ev": event, "run": self._run, **fields}
        text = json.dumps(line, ensure_ascii=True, default=str)
        if len(text) > _JSON_LIMIT:
            text = json.dumps({k: line[k] for k in ("v", "t", "lvl", "ev", "run")} | {"cut": True})
        self._json.write(text + "\n")
        self._json.flush()

    def say(self, text: str) -> None:
        """A sentence on stderr."""
        self._clear()
        if not self._quiet:
            print(text, file=sys.stderr, flush=True)

    def warn(self, fault: Fault) -> None:
        """A warning on stderr and in the log."""
        self._clear()
        print(str(fault), file=sys.stderr, flush=True)
        self.log("warning", "warn", code=fault.code, what=fault.what, where=fault.where, mend=fault.mend)

    def start(self, step: str, of: int) -> None:
        """A step of `of` parts begins."""
        self._step, self._done, self._of = step, 0, of
        self._began = self._told = time.monotonic()
        self.log("step", step=step, of=of)

    def advance(self, parts: int = 1) -> None:
        """Some parts of the step are done."""
        self._done += parts
        self.log("tile_done", step=self._step, done=self._done, of=self._of, rss=round(resident_mb()))
        if self._quiet:
            return
        now = time.monotonic()
        if self._terminal:
            self._draw(now)
        elif now - self._told >= _PLAIN_SECONDS:
            print(self._line(now), file=sys.stderr, flush=True)
            self._told = now

    def finish(self) -> None:
        """The step is over."""
        self._clear()
        self.log("step_done", step=self._step, seconds=round(time.monotonic() - self._began, 3))

    def _line(self, now: float) -> str:
        share = self._done / self._of if self._of else 1.0
        left = (now - self._began) * (1 - share) / share if share else 0.0
        counts = f"{self._done:,}/{self._of:,}".replace(",", " ")
        return f"{self._step} {counts} tiles  {share:3.0%}  {duration(left)} left  {resident_mb():.0f} MB"

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
