"""Faults by what they stop: all of a plan, or only some of its scenarios."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from underoak.base.errors import Fault, Problems
from underoak.plan.case import Case


@dataclass(frozen=True, slots=True)
class LayerFaults:
    """Faults and warnings on layers of the stack."""

    layers: frozenset[str]  # by their names in the stack
    faults: tuple[Fault, ...]

    @classmethod
    def of(cls, layers: Iterable[str], problems: Problems) -> LayerFaults:
        """Return all that was added to `problems`."""
        return cls(frozenset(layers), (*problems.faults, *problems.warnings))


@dataclass(frozen=True, slots=True)
class FailedScenario:
    """A scenario that is not judged, because of faults in its own inputs."""

    name: str
    faults: tuple[Fault, ...]

    @property
    def messages(self) -> tuple[Fault, ...]:
        """Its faults, and what follows from them."""
        what = f'the scenario "{self.name}" is not judged, because of errors in its inputs; all else is'
        return *self.faults, Fault("W437", what, "scenarios", "correct its inputs, and run again")


@dataclass
class CaseFaults:
    """A collection of faults. Those of inputs that only scenarios have stop these scenarios, and nothing else."""

    problems: Problems
    by_scenario: dict[str, Problems] = field(default_factory=dict)

    @property
    def failed(self) -> tuple[FailedScenario, ...]:
        """The scenarios that are stopped, in the order in which they failed."""
        failed = ((name, problems.faults) for name, problems in self.by_scenario.items() if problems.faults)
        return tuple(FailedScenario(name, tuple(faults)) for name, faults in failed)

    @property
    def failed_names(self) -> frozenset[str]:
        """The names of the scenarios that are stopped."""
        return frozenset(scenario.name for scenario in self.failed)

    def add(self, cases: Iterable[Case], faults: Iterable[Fault]) -> None:
        """Add faults and warnings of inputs that `cases` have in common."""
        cases, faults = list(cases), list(faults)
        if not cases or any(case.is_present for case in cases):
            self.problems.extend(faults)
            return
        for scenario in dict.fromkeys(case.scenario for case in cases):
            self.by_scenario.setdefault(scenario, Problems()).extend(
                replace(fault, where=f"scenario {scenario}, {fault.where}" if fault.where else f"scenario {scenario}")
                for fault in faults
            )

    def add_cases(self, by_case: Mapping[Case, Problems]) -> None:
        """Add faults of each case; what a scenario has in common with a present is the present's."""
        common: list[Fault] = []
        for case, problems in by_case.items():
            if case.is_present:
                common += [*problems.faults, *problems.warnings]
                self.add([case], [*problems.faults, *problems.warnings])
        for case, problems in by_case.items():
            if not case.is_present:
                self.add([case], [f for f in (*problems.faults, *problems.warnings) if f not in common])

    def stop_if_any(self, strict: bool) -> None:
        """Raise every fault, those of scenarios too, if something is wrong that stops all of the plan.

        Raises:
            UnderoakError: for faults of the plan; with `strict` also for warnings, and for faults of scenarios.
        """
        if self.problems.faults or (strict and self.failed):
            self.join()
        else:
            for problems in self.by_scenario.values():
                self.problems.extend(problems.warnings)
        self.problems.stop_if_any(strict)

    def join(self) -> None:
        """Add the faults of the scenarios to those of the plan."""
        for problems in self.by_scenario.values():
            self.problems.extend([*problems.faults, *problems.warnings])
