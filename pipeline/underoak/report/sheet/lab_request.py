"""What to take from a parcel and what to ask the laboratory, in words."""

from __future__ import annotations

from collections.abc import Iterator

from underoak.base.errors import count_of, printable
from underoak.base.number_words import hectares, percent
from underoak.places.soil.sampling import CORES, Bag, Sampling
from underoak.report.text.answer_words import CAUTIONS
from underoak.report.text.lines import section, wrapped

_LARGEST_HA = 4.0  # of even ground in one bag; from memory of soil laboratories' leaflets
# The list, cores, depths and times are common practice, no one source.
_TAKE = (
    f"At each point walk a W some 20 m across and take its cores along it, {CORES} or more for one bag: fewer than 15 "
    "tell of spots, and pH needs 20. Never one hole.",
    "Cores of 25 mm with a clean, unpainted auger, from 0 to 30 cm, into a clean plastic bucket. Break them up, mix, "
    "and fill a bag with half a kilogram. Keep off gateways, tracks, heaps, hedges and old fires.",
    "From a few of the same holes go on from 30 to 60 cm, into a bag of its own: carbonate and drainage of the "
    "subsoil. Note stones, colours, and where water stands.",
    "In an orchard that already stands, take them just outside the bare ring around a tree.",
)
ASK = (
    "pH in water and pH in CaCl2, each with its method and ratio on the sheet",
    "total carbonate and active carbonate (active lime)",
    "texture: sand, silt, clay; and coarse fragments",
    "organic matter, and carbon to nitrogen",
    "cation exchange capacity; calcium, magnesium, potassium, phosphorus",
    "for the bags from 30 to 60 cm: pH in water, total and active carbonate, texture",
)
_WHEN = (
    "Half a year or more before lime is spread, and not within some weeks of lime, dung, fertiliser or ploughing; on "
    "soil that is moist, neither sodden nor dust.",
)
FIELD_TEST = (
    "A drop of dilute acid that fizzes on a crumb tells of carbonate on the spot, and of nothing else. Acid burns: "
    "goggles and gloves, acid into water and never the other way, out of the reach of children, rinse what it touched.",
)

_RESULTS = (
    "Write a line for each into a file, such as lab.csv, name it in the plan as `lab: {file: lab.csv}`, and run the "
    "plan again. The property is the name of the plan's layer, the error a standard deviation:",
)
_COLUMNS = ("parcel", "property", "value", "unit", "depth", "method", "error")


def lab_request(sampling: Sampling) -> str:
    """Points, bags, how to take them, what to ask, when, and the cautions; for a person with a spade and for a lab."""
    return "\n".join(_lines(sampling))


def _lines(sampling: Sampling) -> Iterator[str]:
    count = len(sampling.x)
    yield f"Soil of parcel {printable(sampling.parcel)}, {hectares(sampling.area_ha)}: {count_of(count, 'point')}"
    yield ""
    yield f"{'point':>5}  {'bag':<3}  {'cores':>5}  {'latitude':>11}  {'longitude':>11}  doubt left"
    for number in range(1, count + 1):
        bag, at = sampling.bag_of(number), number - 1
        yield (
            f"{number:>5}  {bag.name:<3}  {bag.cores:>5}  {sampling.lat[at]:>11.6f}  {sampling.lon[at]:>11.6f}  "
            f"{percent(float(sampling.left[at])):>10}"
        )
    yield ""
    yield from wrapped(
        f"Doubt left: how much of the variance of the parcel's mean remains once that point and those before it are "
        f"tested, were the soil alike over some {sampling.range_m:g} m, and were the maps to say nothing."
    )
    for note in sampling.notes:
        yield from wrapped(note)
    yield from section("Bags", tuple(map(_bag, sampling.bags)) + _apart(sampling))
    yield from section("Take", _TAKE)
    yield from section("Ask the laboratory for", ASK)
    yield from section("When", _WHEN)
    yield from section("On the spot", FIELD_TEST)
    yield from section("When the results come", _RESULTS)
    yield ""
    yield f"    {','.join(_COLUMNS)}"
    yield f"    {_quoted(printable(sampling.parcel))},soil_ph,7.8,pH,0-30 cm,water,0.15"
    yield ""
    yield from wrapped(CAUTIONS[0])


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if set(text) & set(',"\n\r') else text


def cores_of(bag: Bag) -> str:
    """How many cores go into a bag: `5 cores at each, 20 in all`."""
    if len(bag.points) == 1:
        return count_of(bag.cores, "core")
    return f"{count_of(bag.cores, 'core')} at each, {bag.cores * len(bag.points)} in all"


def _bag(bag: Bag) -> str:
    points = ", ".join(map(str, bag.points))
    where = f"point{'s' if len(bag.points) > 1 else ''} {points}"
    text = f"Bag {bag.name}: {where}; {cores_of(bag)}, for {hectares(bag.area_ha)}"
    if not bag.is_known:
        text += ", where the maps are blank"
    return f"{text}.{too_large(bag)}"


def too_large(bag: Bag) -> str:
    """What to do about a bag that stands for much ground; nothing for others."""
    if bag.area_ha <= _LARGEST_HA:
        return ""
    return f" One bag should not stand for more than {_LARGEST_HA:g} ha: better two or more, each with {CORES} cores."


def _apart(sampling: Sampling) -> tuple[str, ...]:
    if len(sampling.bags) < 2:
        return ()
    return (
        "The maps tell these soils apart. Never mix them: a mean of two soils is the soil of neither. Where your eye "
        "sees another border than the maps, trust your eye.",
    )
