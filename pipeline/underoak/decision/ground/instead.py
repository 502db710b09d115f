"""What may come instead: other species of truffle that suit a parcel by its means, without lime or water."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from underoak.base.errors import UnderoakError
from underoak.places.answers.native import NativeState
from underoak.places.spot.figures import names_of
from underoak.places.spot.judgement import judge_all
from underoak.places.wild.native_range import native_range
from underoak.plan.profiles.profile import load_profile, profile_names

_GOOD = ("S1", "S2")
_FEW_DRAWS = 8  # only class and suitability are used, which are not drawn


@dataclass(frozen=True, slots=True)
class OtherSpecies:
    """Another species that suits a parcel as it is."""

    species: str
    latin: str
    common: str
    class_name: str
    suitability: float
    judged_weight: float  # share of its profile's weight that the figures cover
    native: NativeState


def other_species(
    figures: Mapping[str, str], species: str, longitude: float, latitude: float, judged_at: float
) -> tuple[OtherSpecies, ...]:
    """Return the other species of class S2 or better by figures of layers, the most suitable first.

    `figures` are values with units by layer, `judged_at` the least share of a profile's weight to judge by. Layers
    that no profile has are left out, and so is every species if the figures cannot be judged.
    """
    known = {layer for name in profile_names() for layer in names_of(load_profile(name)).values()}
    usable = {layer: text for layer, text in figures.items() if layer in known}
    try:
        spots = judge_all(usable, purpose="buy", draws=_FEW_DRAWS) if usable else ()
    except UnderoakError:
        return ()
    others = []
    for spot in spots:
        weight, profile = spot.looked_at.judged_weight, spot.plan.profile
        if spot.species == species or spot.class_name not in _GOOD or weight < judged_at or profile is None:
            continue
        state = native_range(spot.species).at(longitude, latitude)
        others.append(
            OtherSpecies(
                spot.species, profile.latin, profile.common[0], spot.class_name, spot.suitability, weight, state
            )
        )
    return tuple(others)
