"""Declarations of soil indicators."""

from __future__ import annotations

from underoak.base.units import QUANTITIES
from underoak.indicators.declaration import Indicator, Input, Parameter
from underoak.indicators.soil import ph, properties, texture

_PRACTICE = "common practice, no source"
_ARITHMETIC = "arithmetic"
_PH, _SHARE = QUANTITIES["ph"], QUANTITIES["share"]
_ANY = QUANTITIES["any"]

_LINES = tuple(f"{given} to {wanted}" for given, wanted in ph.PH_CONVERSIONS)
_FACTOR = Parameter("organic matter for each part of carbon", "", 1.0, 3.0, default=properties.VAN_BEMMELEN)

ENTRIES = (
    Indicator(
        id="texture_class", title="texture class", is_soil=True, unit="", low=1, high=12, gives_codes=True,
        inputs={"sand": Input("percent"), "silt": Input("percent"), "clay": Input("percent")},
        source="USDA Soil Survey Manual, from memory",
        text=f"Code 1 to 12: {', '.join(texture.TEXTURES)}. Other sums than 100 are scaled, or missing.",
        compute=texture.texture_class, contradicts=texture.sums_off,
        contradiction="sand, silt and clay do not add up to 100 %",
        parameters={"tolerance": Parameter("how far a sum may be from 100", "percent", 0.0, 50.0, default=5.0)},
    ),
    Indicator(
        id="mean_0_30cm", title="mean of 0 to 30 cm", is_soil=True, unit="", low=_ANY.low, high=_ANY.high,
        inputs=dict.fromkeys(("cm_0_5", "cm_5_15", "cm_15_30"), Input()), compute=properties.mean_0_30cm,
        source=_PRACTICE,
        text="Mean over the depth, each layer by its thickness, in the unit of the first.",
    ),
    Indicator(
        id="mean_0_60cm", title="mean of 0 to 60 cm", is_soil=True, unit="", low=_ANY.low, high=_ANY.high,
        inputs=dict.fromkeys(("cm_0_5", "cm_5_15", "cm_15_30", "cm_30_60"), Input()), compute=properties.mean_0_60cm,
        source=_PRACTICE,
        text="Mean over the depth, each layer by its thickness, in the unit of the first.",
    ),
    Indicator(
        id="organic_matter", title="organic matter", is_soil=True, unit="percent", low=_SHARE.low, high=_SHARE.high,
        inputs={"carbon": Input("percent")}, compute=properties.organic_matter, parameters={"factor": _FACTOR},
        source="van Bemmelen's 1.724, common practice; the newer 2.0, from memory",
        text="Organic carbon times a factor, by convention 1.724.",
    ),
    Indicator(
        id="carbonate", title="carbonate", is_soil=True, unit="percent", low=_SHARE.low, high=_SHARE.high,
        source="atomic weights", inputs={"inorganic_carbon": Input("percent")}, compute=properties.carbonate,
        text="Calcium carbonate from its carbon; dolomite counts as lime.",
    ),
    Indicator(
        id="stones_by_volume", title="stones by volume", is_soil=True, unit="percent", low=_SHARE.low, high=_SHARE.high,
        inputs={"by_weight": Input("percent"), "density": Input("g/cm^3")}, compute=properties.stones_by_volume,
        source=f"{_ARITHMETIC}; stones of 2.65 g/cm3, common practice",
        text="Share of the volume from the share of the weight and the density of the fine earth.",
    ),
    Indicator(
        id="converted_ph", title="pH by another method", is_soil=True, unit="pH", low=_PH.low, high=_PH.high,
        inputs={"ph": Input("pH")}, compute=ph.converted_ph,
        parameters={"conversion": Parameter("from which way of measuring to which", choices=_LINES)},
        source="Kabała et al. 2016, Conyers and Davey 1988, Libohova et al. 2014, abstracts read",
        text=f"pH as another method would give it, with {ph.CONVERSION_SD:g} or more added to its standard deviation.",
    ),
)  # fmt: skip
