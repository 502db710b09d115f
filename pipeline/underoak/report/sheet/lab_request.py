"""The request to a soil laboratory: points, bags, tests to ask for, and how to enter the results."""

from __future__ import annotations

from collections.abc import Iterator

from underoak.base.errors import count_of, printable
from underoak.base.number_words import hectares, percent
from underoak.places.soil.sampling import CORES, LARGEST_BAG_HA, Bag, Sampling
from underoak.report.text.answer_words import CAUTIONS
from underoak.report.text.lines import section, wrapped

# The list, cores, depths and times are common practice without a single source.
_TAKE = (
    f"At each point walk a W some 20 m across and take its cores along it, {CORES} or more for one bag: fewer than 15 "
    "show single spots, and pH needs 20. Never use one hole.",
    "Cores of 25 mm with a clean, unpainted auger, from 0 to 30 cm, into a clean plastic bucket. Break them up, mix, "
    "and fill a bag with half a kilogram. Keep off gateways, tracks, heaps, hedges and old fires.",
    "In a few of the same holes go on from 30 to 60 cm, into another bag, for carbonate and drainage of the "
    "subsoil. Note stones, colours, and where water stands.",
    "In an orchard that already stands, take them just outside the bare ring around a tree.",
)
ASK = (
    "pH in water and pH in CaCl2, each with its method and ratio on the sheet",
    "total carbonate and active carbonate (active lime)",
    "texture: sand, silt, clay; and coarse fragments",
    "organic matter, and carbon to nitrogen",
    "cation exchange capacity; calcium, magnesium, potassium, phosphorus",
    "where the pH is too low: a buffer test, that is the lime for several target pH, as a curve",
    "for the bags from 30 to 60 cm: pH in water, total and active carbonate, texture",
)
OLD_CROPS = (
    "If the land was ever a vineyard or an orchard, ask for total copper and total arsenic too, and for lead where "
    "arsenic is high.",
    "Why: copper sprays against mildew stay in the topsoil, 130 to 1280 mg/kg in parts of Europe (Wightwick et al. "
    "2008, J. Agric. Food Chem. 56:2457, abstract read). Lead arsenate was sprayed in orchards until the 1960s, and "
    "both metals stay in the soil (Wisconsin health department on old orchards, excerpt read).",
    "What is too much depends on the country and on the use of the land, so no limit is given here: follow local "
    "codes, and ask the authority and a licensed professional before you buy, dig or move such soil. Until you know, "
    "keep down dust, keep children off bare soil, wear gloves and wash your hands.",
)
_WHEN = "Not within some weeks of dung, fertiliser or ploughing; on soil that is moist, neither sodden nor dusty."
_BEFORE_LIME = (
    "Half a year or more before lime is spread, and not within some weeks of lime, dung, fertiliser or ploughing; on "
    "soil that is moist, neither sodden nor dusty."
)
FIELD_TEST = (
    "A drop of dilute acid that fizzes on a crumb shows carbonate at that spot, and nothing else. Acid burns: "
    "goggles and gloves, acid into water and never the other way, out of the reach of children, rinse what it touched.",
)

_RESULTS = (
    "Write a line for each into a file, such as lab.csv, name it in the plan as `lab: {file: lab.csv}`, and run the "
    "plan again. The property is the name of the plan's layer; the error is the standard deviation of the laboratory's "
    "method; cores are those in the bag; lon and lat are those of one of the bag's points, so that the result goes to "
    "the soil it was taken from:",
)
_OF_A_ZONE = (
    "Results belong to parcels: save the outline of this zone from zones.gpkg as a parcel of the plan, with the same "
    "id."
)
_COLUMNS = ("parcel", "property", "value", "unit", "depth", "method", "error", "cores", "lon", "lat")


def lab_request(sampling: Sampling) -> str:
    """Return the request as text: points, bags, how and when to sample, what to ask for, and cautions."""
    return "\n".join(_lines(sampling))


def _lines(sampling: Sampling) -> Iterator[str]:
    count = len(sampling.x)
    name = f"{sampling.kind} {printable(sampling.parcel)}"
    yield f"Soil of {name}, {hectares(sampling.area_ha)}: {count_of(count, 'point')}"
    yield ""
    yield f"{'point':>5}  {'bag':<3}  {'cores':>5}  {'latitude':>11}  {'longitude':>11}  doubt left"
    for number in range(1, count + 1):
        bag, i_point = sampling.bag_of(number), number - 1
        yield (
            f"{number:>5}  {bag.name:<3}  {bag.cores:>5}  {sampling.lat[i_point]:>11.6f}  "
            f"{sampling.lon[i_point]:>11.6f}  {percent(float(sampling.left[i_point])):>10}"
        )
    yield ""
    yield from wrapped(
        f"Doubt left: share of the variance of the parcel's mean that remains after a test of that point and those "
        f"before it, if soil is similar over {sampling.range_m:g} m and the maps give no information."
    )
    for note in sampling.notes:
        yield from wrapped(note)
    yield from section("Bags", tuple(map(_bag, sampling.bags)) + _apart(sampling))
    yield from section("Take", _TAKE)
    yield from section("Ask the laboratory for", ASK)
    yield from section("On former vineyards and orchards", OLD_CROPS)
    yield from section("When", [_BEFORE_LIME if sampling.is_limed else _WHEN])
    yield from section("On the spot", FIELD_TEST)
    yield from section("When the results come", _RESULTS if sampling.kind == "parcel" else (_OF_A_ZONE, *_RESULTS))
    yield ""
    yield f"    {','.join(_COLUMNS)}"
    bag = sampling.bags[0]
    at, cores = bag.points[0] - 1, bag.cores * len(bag.points)
    place = f"{sampling.lon[at]:.6f},{sampling.lat[at]:.6f}"
    yield f"    {_quoted(printable(sampling.parcel))},soil_ph,7.8,pH,0-30 cm,water,0.15,{cores},{place}"
    yield ""
    yield from wrapped(CAUTIONS[0])


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if set(text) & set(',"\n\r') else text


def cores_of(bag: Bag) -> str:
    """Return the number of cores for a bag in words: `5 cores at each, 20 in all`."""
    if len(bag.points) == 1:
        return count_of(bag.cores, "core")
    return f"{count_of(bag.cores, 'core')} at each, {bag.cores * len(bag.points)} in all"


def _bag(bag: Bag) -> str:
    points = ", ".join(map(str, bag.points))
    where = f"point{'s' if len(bag.points) > 1 else ''} {points}"
    text = f"Bag {bag.name}: {where}; {cores_of(bag)}, for {hectares(bag.area_ha)}"
    if not bag.is_known:
        text += ", where the maps have no data"
    return f"{text}."


def _apart(sampling: Sampling) -> tuple[str, ...]:
    one_soil = (f"One bag stands for {LARGEST_BAG_HA:g} ha at most (from memory of soil laboratories' leaflets).",)
    if len({bag.soil for bag in sampling.bags}) < 2:
        return one_soil
    return (
        *one_soil,
        "The maps show different soils here. Never mix them: the mean of two soils describes neither. Where you "
        "see another border than the maps, trust what you see.",
    )
