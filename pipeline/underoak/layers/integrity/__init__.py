"""Integrity: the checksums that files carry of their stored blocks, which the raster library does not always verify.

- `file_parts` lists the blocks that a source reads of each of its files.
- `tiff_blocks` finds the stored blocks of a TIFF.
- `block_checksums` verifies the bytes of one block.
- `verify` verifies all blocks that a run reads, and names those that are damaged.
"""
