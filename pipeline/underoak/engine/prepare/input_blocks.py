"""The stored blocks that a run reads of its inputs, verified once for each content of a file."""

from __future__ import annotations

from collections.abc import Iterator

from underoak.engine.prepare.case_faults import LayerFaults
from underoak.engine.storage.input_files import Inputs
from underoak.engine.storage.verified_blocks import add_verified, read_verified
from underoak.layers.derivation.whole_file import WholeFileSource
from underoak.layers.integrity.file_parts import FilePart, file_parts
from underoak.layers.integrity.verify import Verification, verify_blocks
from underoak.layers.shapes.distance import ShapeDistance
from underoak.layers.stack import Stack


def verify_inputs(stack: Stack, inputs: Inputs, threads: int) -> list[LayerFaults]:
    """Verify the stored blocks that a run reads, except those that an earlier run has found sound.

    Returns:
        E230 for every file with a damaged block, with the layers that it feeds.

    Raises:
        UnderoakError: E601.
    """
    parts = list(_stored_parts(stack))
    checksums = {part.path: inputs.sha256_of(part.path) for _, part in parts}
    verified = read_verified(checksums.values())
    sound_before = {path: verified[checksum] for path, checksum in checksums.items() if checksum in verified}
    state, outcome = inputs.state, verify_blocks([part for _, part in parts], sound_before, threads)
    inputs.check()
    if inputs.state != state:  # these blocks may be of another content
        return verify_inputs(stack, inputs, threads)
    add_verified({checksums[path]: numbers for path, numbers in outcome.sound.items() if checksums[path]})
    return _by_layers(parts, outcome)


def check_blocks(stack: Stack) -> list[LayerFaults]:
    """Verify every stored block that a run would read, and return what is wrong as `verify_inputs` does."""
    parts = list(_stored_parts(stack))
    return _by_layers(parts, verify_blocks([part for _, part in parts], {}))


def _by_layers(parts: list[tuple[str, FilePart]], outcome: Verification) -> list[LayerFaults]:
    return [
        LayerFaults(frozenset(layer for layer, part in parts if part.path == path), (fault,))
        for path, fault in outcome.faults.items()
    ]


def _stored_parts(stack: Stack) -> Iterator[tuple[str, FilePart]]:
    """Yield the parts of TIFF files that the layers of a stack need for the region, each with its layer's name."""
    for layer in stack.layers:
        window = layer.source_layer.input_window(stack.region_window(layer))
        for source in layer.source_layer.sources:
            if isinstance(source, WholeFileSource):
                yield from ((layer.name, part) for part in file_parts(source.source, source.grid.window))
            elif not isinstance(source, ShapeDistance):
                yield from ((layer.name, part) for part in file_parts(source, window))
