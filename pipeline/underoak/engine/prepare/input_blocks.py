"""The stored blocks that a run reads of its inputs, verified once for each content of a file."""

from __future__ import annotations

from collections.abc import Iterator

from underoak.base.errors import UnderoakError
from underoak.engine.storage.input_files import Inputs
from underoak.engine.storage.verified_blocks import add_verified, read_verified
from underoak.layers.derivation.whole_file import WholeFileSource
from underoak.layers.integrity.file_parts import FilePart, file_parts
from underoak.layers.integrity.verify import verify_blocks
from underoak.layers.shapes.distance import ShapeDistance
from underoak.layers.stack import Stack


def verify_inputs(stack: Stack, inputs: Inputs, threads: int) -> None:
    """Verify the stored blocks that a run reads, except those that an earlier run has found sound.

    Raises:
        UnderoakError: E230 for every file with a damaged block; E601.
    """
    parts = list(stored_parts(stack))
    checksums = {part.path: inputs.sha256_of(part.path) for part in parts}
    verified = read_verified(checksums.values())
    sound_before = {path: verified[checksum] for path, checksum in checksums.items() if checksum in verified}
    state, outcome = inputs.state, verify_blocks(parts, sound_before, threads)
    inputs.check()
    if inputs.state != state:  # these blocks may be of another content
        verify_inputs(stack, inputs, threads)
        return
    add_verified({checksums[path]: numbers for path, numbers in outcome.sound.items() if checksums[path]})
    if outcome.faults:
        raise UnderoakError(*outcome.faults)


def stored_parts(stack: Stack) -> Iterator[FilePart]:
    """Yield the parts of TIFF files that the layers of a stack need for the region."""
    for layer in stack.layers:
        window = layer.source_layer.input_window(stack.region_window(layer))
        for source in layer.source_layer.sources:
            if isinstance(source, WholeFileSource):
                yield from file_parts(source.source, source.grid.window)
            elif not isinstance(source, ShapeDistance):
                yield from file_parts(source, window)
