"""The plan's layers as a scenario has them."""

from __future__ import annotations

from pydantic import ValidationError

from underoak.base.errors import did_you_mean
from underoak.plan.checks.references import unit_in_use
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.scenarios import ScenarioSpec
from underoak.plan.reading.spec import told
from underoak.plan.reading.validation import Check
from underoak.plan.reading.yaml import Keys


def scenario_layers(
    layers: dict[str, LayerSpec], scenario: ScenarioSpec, way: Keys, check: Check
) -> dict[str, LayerSpec]:
    """The plan's layers with the scenario's files in their place. Faults: E330."""
    made = dict(layers)
    for name, change in scenario.replace.items():
        here: Keys = (*way, "replace", name)
        layer = layers.get(name)
        if layer is None:
            fix = did_you_mean(name, layers, "name a layer of this plan")
            check.fault("E330", f'there is no layer "{name}" to replace', here, fix)
            continue
        if layer.file is None:
            origins = " and ".join(f'"{origin}"' for origin in layer.origins.values())
            what = f'the layer "{name}" is derived from {origins} and has no file of its own'
            check.fault("E330", what, here, f"replace {origins}")
            continue
        if layer.quantiles is not None:
            what = f'the layer "{name}" has quantiles, and they are those of the present'
            check.fault("E330", what, here, f'give "{name}" `sd` instead: it holds in every scenario')
            continue
        update = change.model_dump(exclude_none=True)
        if change.unit is not None and layer.to is None and not layer.derive and layer.reduce != "sum":
            update["to"] = unit_in_use(layer)
        try:
            new = LayerSpec.model_validate(layer.model_dump(by_alias=True, exclude_none=True) | update)
        except ValidationError as error:
            fault = told(error.errors(include_url=False)[0])
            check.fault("E330", fault.what, here, fault.fix)
            continue
        if unit_in_use(new) != unit_in_use(layer):
            what = f"it is in {unit_in_use(new)}, and the layer is judged in {unit_in_use(layer)}"
            check.fault("E330", what, here, f"write `to: {unit_in_use(layer)}` in the layer")
            continue
        made[name] = new
    return made
