"""What single years brought, in sentences: counts of past years, never a probability of the future."""

from __future__ import annotations

from collections.abc import Sequence

from underoak.base.number_words import figure
from underoak.engine.storage.records.year_records import (
    BalanceYears,
    DryYears,
    Event,
    EventCount,
    EventLimit,
    NoDryYear,
    YearsAtPlace,
    YearsRecord,
)
from underoak.plan.profiles.season import month_names

YEARS = "What single years brought"
PAST = "These are counts of past years. They are no probability of the future, and years to come may be unlike them."
NO_SERIES = "No series covers this parcel: nothing is counted here."
NO_LIMITS = "No limit for the weather of a single year is known for this species, so no year is counted."
_MOST_NAMED = 6  # years named in one line
_WHY = {
    NoDryYear.TEN_YEARS: "The driest year of five is not given: it takes ten complete years, and there are {}.",
    NoDryYear.TWENTY_YEARS: "The driest year of ten is not given: it takes twenty complete years, and there are {}.",
}


def of_file(count: EventCount, noun: str = "year", crosses: bool = False) -> str:
    """Return in how many years of the file an event came; seasons that cross the turn of the year are named by both.

    >>> of_file(EventCount(Event.RAIN_ENOUGH, (1994, 2002), 29, (2003,), 1991, 2020))
    'in 2 of 29 complete years of the file (1991–2020)'
    >>> of_file(EventCount(Event.FROST, (1994, 2002), 29, (), 1991, 2020), "winter", crosses=True)
    'in 2 of 29 winters of the file (1991/92–2019/20)'
    """
    complete = "complete " if count.left_out else ""
    last = count.last - 1 if crosses else count.last
    span = f"{season_name(count.first, crosses)}–{season_name(last, crosses)}"
    return f"in {len(count.years)} of {count.counted} {complete}{noun}s of the file ({span})"


def season_name(year: int, crosses: bool) -> str:
    """Return the year of a season; both years where it crosses the turn of the year.

    >>> season_name(1999, True), season_name(1999, False)
    ('1999/00', '1999')
    """
    return f"{year}/{(year + 1) % 100:02d}" if crosses else str(year)


def limit_words(limit: EventLimit) -> str:
    """Return a limit in a few words.

    >>> limit_words(EventLimit(Event.FROST, (11, 12), -7.0, "-", "C", 3))
    '3 nights in a row at -7 °C or less, November, December'
    """
    if limit.event is Event.FROST:
        return f"{limit.nights} nights in a row at {limit.limit:g} °C or less, {month_names(limit.months)}"
    return f"{limit.limit:g} mm or more, {month_names(limit.months)}"


def event_line(count: EventCount, limit: EventLimit) -> str:
    """Return the sentence on one event; years with a missing month are named as left out."""
    crosses = limit.months[0] > limit.months[-1]
    noun = "winter" if count.event is Event.FROST else "season" if crosses else "year"
    where = of_file(count, noun, crosses)
    match count.event:
        case Event.RAIN_ENOUGH:
            line = f"Rain alone was enough {where}: {limit_words(limit)}."
        case Event.WET_AUTUMN:
            line = f"An autumn as wet as one in which truffles rotted came {where}: {limit_words(limit)}."
        case Event.FROST if count.is_by_month:
            line = (
                f"The lowest of the winter was {limit.limit:g} °C or less {where}. Months do not tell whether it was "
                f"so for {limit.nights} nights in a row, as hard frost is counted."
            )
        case Event.FROST:
            line = f"Hard frost came {where}: {limit_words(limit)}."
    return line + _left_out(count.left_out, noun, crosses)


def _left_out(years: Sequence[int], noun: str, crosses: bool) -> str:
    if not years:
        return ""
    named = ", ".join(map(str, years[:_MOST_NAMED]))
    more = f" and {len(years) - _MOST_NAMED} more" if len(years) > _MOST_NAMED else ""
    begin = f" ({noun}s by the year they begin in)" if crosses else ""
    return f" Left out as incomplete: {named}{more}{begin}."


def dry_words(dry: DryYears) -> str:
    """Return what rain lacked in single years, in a few words; "" where it never lacked anything.

    >>> dry_words(DryYears(46.4, 84.0, 110.2, 30, 1991, 2020))
    '46 mm on average over 30 years, 84 mm in the driest of five, 110 mm in the driest of ten'
    """
    parts = [f"{figure(dry.mean)} mm on average over {dry.counted} years"]
    for value, which_one in ((dry.one_in_5, "five"), (dry.one_in_10, "ten")):
        if value is not None:
            parts.append(f"{figure(value)} mm in the driest of {which_one}")
    return ", ".join(parts)


def dry_line(dry: DryYears, limit: EventLimit) -> str:
    """Return what rain lacked of what is enough, and why a dry year is not given."""
    season = month_names(limit.months)
    line = f"Of {limit.limit:g} mm, {season}, the rain of the file lacked {dry_words(dry)}."
    if dry.rain_mean is not None:
        line += f" In its mean year {figure(dry.rain_mean)} mm fell in these months: compare it with the map."
    return line if dry.no_dry_year is None else f"{line} {_WHY[dry.no_dry_year].format(dry.counted)}"


def balance_line(balance: BalanceYears) -> str:
    """Return the water balance of the warm season in single years; no limit of one year is known for it."""
    dry = "" if balance.one_in_5 is None else f", {figure(balance.one_in_5)} mm in the driest year of five"
    how = "after Thornthwaite" if balance.is_thornthwaite else "as given"
    return (
        f"Rain less evapotranspiration ({how}) in the four warm months: {figure(balance.mean)} mm in the mean of "
        f"{balance.counted} years{dry}."
    )


def place_lines(record: YearsRecord, place: YearsAtPlace | None) -> list[str]:
    """Return the sentences on the years of one place; None: a parcel that no series covers."""
    if place is None:
        return [NO_SERIES]
    limits = {limit.event: limit for limit in record.limits}
    lines = [event_line(count, limits[count.event]) for count in place.events]
    if place.dry is not None:
        lines.append(dry_line(place.dry, limits[Event.RAIN_ENOUGH]))
    if place.balance is not None:
        lines.append(balance_line(place.balance))
    return lines or [NO_LIMITS]


def source_words(record: YearsRecord) -> str:
    """Return the source and the grain of the series."""
    grain = f"; {record.grain}" if record.grain else ""
    return f"Series: {record.source}{grain}."


def limit_sources(record: YearsRecord) -> list[str]:
    """Return each limit that something was counted by, with its source and grade."""
    counted = {count.event for place in record.places for count in place.events}
    return [
        f"{limit.event.value}, {limit_words(limit)}: {limit.source} (grade {limit.grade})"
        for limit in record.limits
        if limit.event in counted
    ]
