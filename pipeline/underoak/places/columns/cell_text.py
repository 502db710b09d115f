"""The text of values in files: names, states, pairs and reasons. English, and the same in every language."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from underoak.places.answers.deal import Answer, Block
from underoak.places.answers.limits import NoLimit
from underoak.places.answers.native import Origin
from underoak.places.answers.not_judged import Cause, NotJudged
from underoak.places.answers.pairs import OriginOf, PairName
from underoak.places.answers.rules import RuleOutcome, RuleState
from underoak.places.answers.verdict import Purpose, SoilTestFigures

_OUTCOME = re.compile(r"(?P<rule>[^;:]+): (?P<state>[a-z ]+?)(?:, (?P<amount>-?[\d.]+))?")
_NO_PAIR = "no pair"
_TEST = re.compile(
    r"(?P<layer>[^;:]+): chance (?P<flip>\d\.\d{4})(?: ± (?P<flip_error>\d\.\d{4}))?, "
    r"worth (?P<worth>\d\.\d{5})(?: ± (?P<worth_error>\d\.\d{5}))?"  # runs of earlier builds have no errors
)
ANSWERS: Mapping[Purpose, Mapping[Answer, str]] = MappingProxyType(
    {
        purpose: {answer: {Answer.YES: yes, Answer.NO: no}.get(answer, answer.value) for answer in Answer}
        for purpose, yes, no in (
            (Purpose.BUY, "buy", "do not buy"),
            (Purpose.ORCHARD, "plant", "do not plant"),
            (Purpose.RESTORE, "restore", "do not restore"),
            (Purpose.REGION, "suitable", "not suitable"),
        )
    }
)


@dataclass(frozen=True, slots=True)
class MemberText:
    """Members of an enum, by their values."""

    members: type[StrEnum]

    def encode(self, value: StrEnum) -> str:
        """Return the member's value."""
        return value.value

    def decode(self, text: str) -> StrEnum:
        """Return the member."""
        return self.members(text)


@dataclass(frozen=True, slots=True)
class AnswerText:
    """An answer in the words of a plan's purpose.

    >>> AnswerText(Purpose.BUY).encode(Answer.NO), AnswerText(Purpose.BUY).decode("not yet")
    ('do not buy', <Answer.NOT_YET: 'not yet'>)
    """

    purpose: Purpose

    def encode(self, value: Answer) -> str:
        """Return its words."""
        return ANSWERS[self.purpose][value]

    def decode(self, text: str) -> Answer:
        """Return the answer."""
        for answer, words in ANSWERS[self.purpose].items():
            if words == text:
                return answer
        raise ValueError(f"{text} is no answer")


class RulesText:
    """Rules of the user's own, applied to a parcel.

    >>> outcomes = (RuleOutcome("planting aid", RuleState.MET, 3150.0), RuleOutcome("row rule", RuleState.NOT_MET))
    >>> RulesText().encode(outcomes)
    'planting aid: met, 3150.00; row rule: not met'
    >>> RulesText().decode("planting aid: met, 3150.00; row rule: not met") == outcomes
    True
    """

    def encode(self, value: tuple[RuleOutcome, ...]) -> str:
        """Return one part for each rule."""
        return "; ".join(
            f"{each.rule}: {each.state}{'' if each.amount is None else f', {each.amount:.2f}'}" for each in value
        )

    def decode(self, text: str) -> tuple[RuleOutcome, ...]:
        """Return the records."""
        outcomes = []
        for part in text.split("; "):
            match = _OUTCOME.fullmatch(part)
            if match is None:
                raise ValueError(f"{part} is no rule")
            amount = None if match["amount"] is None else float(match["amount"])
            outcomes.append(RuleOutcome(match["rule"], RuleState(match["state"]), amount))
        return tuple(outcomes)


class BlocksText:
    """Questions that end the deal of a parcel, with the share of it that shapes cover.

    >>> BlocksText().encode((Block("protected_ground", 0.4), Block("lease")))
    'protected_ground 0.4000; lease'
    >>> BlocksText().decode("protected_ground 0.4000; lease")
    (Block(question='protected_ground', share=0.4), Block(question='lease', share=None))
    """

    def encode(self, value: tuple[Block, ...]) -> str:
        """Return the questions, with semicolons between."""
        return "; ".join(
            block.question if block.share is None else f"{block.question} {block.share:.4f}" for block in value
        )

    def decode(self, text: str) -> tuple[Block, ...]:
        """Return the records."""
        parts = (part.partition(" ") for part in text.split("; "))
        return tuple(Block(name, float(share) if share else None) for name, _, share in parts)


class NamesText:
    """Names of criteria, layers or constraints.

    >>> NamesText().encode(("ph", NoLimit.NOTHING)), NamesText().decode("ph; nothing limits")
    ('ph; nothing limits', ('ph', <NoLimit.NOTHING: 'nothing limits'>))
    """

    def encode(self, value: tuple[str, ...]) -> str:
        """Return the names, with semicolons between."""
        return "; ".join(value)

    def decode(self, text: str) -> tuple[str, ...]:
        """Return the names."""
        return tuple(NoLimit(name) if name == NoLimit.NOTHING else name for name in text.split("; "))


class NotJudgedText:
    """Why a parcel is not judged.

    >>> NotJudgedText().encode(NotJudged(Cause.ALL_EXCLUDED, ("built", "steep")))
    'excluded entirely by built; steep'
    >>> NotJudgedText().encode(NotJudged(Cause.NO_DATA, layers=("soil_ph", "clay")))
    'no data of soil_ph; clay'
    """

    def encode(self, value: NotJudged) -> str:
        """Return the cause, the constraints or layers, and the note."""
        by = f" by {'; '.join(value.constraints)}" if value.constraints else ""
        by += f" of {'; '.join(value.layers)}" if value.layers else ""
        return f"{value.cause}{by}{f': {value.note}' if value.note else ''}"

    def decode(self, text: str) -> NotJudged:
        """Return the record."""
        for cause in Cause:
            rest = text.removeprefix(cause)
            if rest.startswith(" by "):
                return NotJudged(cause, tuple(rest.removeprefix(" by ").split("; ")))
            if rest.startswith(" of "):
                return NotJudged(cause, layers=tuple(rest.removeprefix(" of ").split("; ")))
            if rest.startswith(": "):
                return NotJudged(cause, note=rest.removeprefix(": "))
            if not rest:
                return NotJudged(cause)
        raise ValueError(f"{text} is no reason")


class PairsText:
    """Hosts, or pairs of truffle and host.

    >>> PairsText().encode((PairName("quercus_ilex", "tuber_aestivum"),)), PairsText().encode(())
    ('tuber_aestivum with quercus_ilex', 'no pair')
    """

    def encode(self, value: tuple[PairName, ...]) -> str:
        """Return the pairs, with semicolons between."""
        texts = (f"{pair.species} with {pair.host}" if pair.species else pair.host for pair in value)
        return "; ".join(texts) or _NO_PAIR

    def decode(self, text: str) -> tuple[PairName, ...]:
        """Return the pairs."""
        if text == _NO_PAIR:
            return ()
        parts = (part.rpartition(" with ") for part in text.split("; "))
        return tuple(PairName(host, species) for species, _, host in parts)


class SpeciesText:
    """Species of the best pairs."""

    def encode(self, value: tuple[str, ...]) -> str:
        """Return the names, with semicolons between."""
        return "; ".join(value) or _NO_PAIR

    def decode(self, text: str) -> tuple[str, ...]:
        """Return the names."""
        return () if text == _NO_PAIR else tuple(text.split("; "))


class OriginsText:
    """Origins of truffles and trees.

    >>> OriginsText().encode((OriginOf(("quercus_ilex", "tilia_cordata"), Origin.UNKNOWN),))
    'quercus_ilex, tilia_cordata: origin unknown'
    """

    def encode(self, value: tuple[OriginOf, ...]) -> str:
        """Return names and origins."""
        return "; ".join(f"{', '.join(part.names)}: {part.origin}" for part in value)

    def decode(self, text: str) -> tuple[OriginOf, ...]:
        """Return the records."""
        parts = (part.rpartition(": ") for part in text.split("; "))
        return tuple(OriginOf(tuple(names.split(", ")), Origin(origin)) for names, _, origin in parts)


class SoilTestsText:
    """Soil tests with their figures, by worth.

    >>> SoilTestsText().encode((SoilTestFigures("soil_ph", 0.3, 0.01234, 0.05, 0.002),))
    'soil_ph: chance 0.3000 ± 0.0500, worth 0.01234 ± 0.00200'
    """

    def encode(self, value: tuple[SoilTestFigures, ...]) -> str:
        """Return one part for each test."""
        return "; ".join(
            f"{test.layer}: chance {test.flip_chance:.4f} ± {test.flip_error:.4f}, "
            f"worth {test.worth:.5f} ± {test.worth_error:.5f}"
            for test in value
        )

    def decode(self, text: str) -> tuple[SoilTestFigures, ...]:
        """Return the records."""
        return tuple(map(_test, text.split("; "))) if text else ()


def _test(text: str) -> SoilTestFigures:
    match = _TEST.fullmatch(text)
    if match is None:
        raise ValueError(f"{text} is no test")
    figures = [float(match[name] or 0.0) for name in ("flip", "worth", "flip_error", "worth_error")]
    return SoilTestFigures(match["layer"], *figures)
