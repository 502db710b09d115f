"""Layers of a scenario: those of the plan, with other files for some."""

from __future__ import annotations

from pydantic import ValidationError

from underoak.base.errors import did_you_mean
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.scenarios import ScenarioSpec
from underoak.plan.reading.faults import pending_fault
from underoak.plan.reading.validation import Check
from underoak.plan.reading.yaml import KeyPath


def scenario_layers(
    layers: dict[str, LayerSpec], scenario: ScenarioSpec, key_path: KeyPath, check: Check
) -> dict[str, LayerSpec]:
    """Return the plan's layers with the files of a scenario. Faults: E330."""
    replaced = dict(layers)
    for name, change in scenario.replace.items():
        here: KeyPath = (*key_path, "replace", name)
        layer = layers.get(name)
        if layer is None:
            fix = did_you_mean(name, layers, "name a layer of this plan")
            check.add_fault("E330", f'there is no layer "{name}" to replace', here, fix)
            continue
        if layer.file is None:
            origins = " and ".join(f'"{origin}"' for origin in layer.origins.values())
            what = f'the layer "{name}" is derived from {origins} and has no file'
            check.add_fault("E330", what, here, f"replace {origins}")
            continue
        if layer.quantiles is not None:
            what = f'the layer "{name}" has quantiles, which describe the present only'
            check.add_fault("E330", what, here, f'give "{name}" an `sd` instead, which applies in every scenario')
            continue
        update = change.model_dump(exclude_none=True)
        if change.unit is not None and layer.to is None and not layer.derive and layer.reduce != "sum":
            update["to"] = layer.unit_in_use
        try:
            present = layer.model_dump(by_alias=True, exclude_none=True, exclude={"gather"})
            new = LayerSpec.model_validate(present | update)
        except ValidationError as error:
            fault = pending_fault(error.errors(include_url=False)[0])
            check.add_fault("E330", fault.what, here, fault.fix)
            continue
        if new.unit_in_use != layer.unit_in_use:
            what = f"the file is in {new.unit_in_use}, and the layer is judged in {layer.unit_in_use}"
            check.add_fault("E330", what, here, f"write `to: {layer.unit_in_use}` in the layer")
            continue
        replaced[name] = new
    return replaced
