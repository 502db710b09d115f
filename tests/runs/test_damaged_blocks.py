"""A run verifies the stored blocks that it reads, once for each content of a file; `check --deep` always does."""

import os
import shutil
import zlib

import numpy as np
import pytest
import rasterio

import underoak as uo
from underoak.base.errors import UnderoakError
from underoak.engine.prepare import input_blocks
from underoak.engine.storage.verified_blocks import add_verified, numbers_of, read_verified, spans_of
from underoak.runs.check import check

from noise import LEFT, TOP, noise_country
from strip import go

SIDE = 32  # cells of a block


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    folder = tmp_path_factory.mktemp("small")
    plan = noise_country(folder, 120, 150, parcels=24)
    with rasterio.open(folder / "dem.tif") as raster:
        profile, cells = raster.profile, raster.read(1)
    profile.update(compress="deflate", tiled=True, blockxsize=SIDE, blockysize=SIDE)
    with rasterio.open(folder / "dem.tif", "w", **profile) as raster:
        raster.write(cells, 1)
    return plan, folder


@pytest.fixture
def case(small, tmp_path, monkeypatch):
    monkeypatch.setenv("UNDEROAK_CACHE", str(tmp_path / "cache"))
    return small[0], shutil.copytree(small[1], tmp_path / "here")


def spoil(path):
    """Put a stream of other cells in a block in the middle, which the library unpacks without a fault."""
    with rasterio.open(path) as raster:
        row, col = (raster.height // 2) // SIDE, (raster.width // 2) // SIDE
        at, size = (
            int(raster.get_tag_item(f"BLOCK_{what}_{col}_{row}", "TIFF", bidx=1)) for what in ("OFFSET", "SIZE")
        )
    packer, cells = zlib.compressobj(9), np.full(SIDE * SIDE, 500.0, np.float32).tobytes()
    # the surplus has a part of the stream to itself, so that all cells before it are unpacked whatever memory held
    stream = packer.compress(cells) + packer.flush(zlib.Z_FULL_FLUSH) + packer.compress(cells[:4]) + packer.flush()
    assert len(stream) < size
    data = bytearray(path.read_bytes())
    data[at : at + len(stream)] = stream
    path.write_bytes(data)
    with rasterio.open(path) as raster:
        assert (raster.read(1)[row * SIDE : row * SIDE + SIDE, col * SIDE : col * SIDE + SIDE] == 500).all()
    return f"rows {row * SIDE} to "


def faults(plan, folder, out, **options):
    with pytest.raises(UnderoakError) as caught:
        go(plan, folder, out, **options)
    return caught.value.faults


def looked_at(monkeypatch):
    """How many blocks each run verifies from here on."""
    counts, true = [], input_blocks.verify_blocks

    def counted(parts, sound_before, threads):
        outcome = true(parts, sound_before, threads)
        counts.append(sum(map(len, outcome.sound.values())))
        return outcome

    monkeypatch.setattr(input_blocks, "verify_blocks", counted)
    return counts


def test_a_damaged_block_stops_a_run_before_it_judges_and_names_file_and_place(case, tmp_path):
    plan, folder = case
    place = spoil(folder / "dem.tif")
    (fault,) = faults(plan, folder, tmp_path / "out")
    assert (fault.code, fault.exit_code) == ("E230", 4)
    assert fault.where.startswith("elevation (")
    assert str(folder / "dem.tif") in fault.what
    assert place in fault.what
    assert "; x " in fault.what
    assert not (tmp_path / "out" / "run.json").exists()
    (fault,) = faults(plan, folder, tmp_path / "out")  # it is not forgotten
    assert fault.code == "E230"


def test_a_damaged_block_in_the_file_of_a_scenario_stops_that_scenario_only(case, tmp_path):
    plan, folder = case
    shutil.copy(folder / "dem.tif", folder / "dem_dry.tif")
    spoil(folder / "dem_dry.tif")
    dry = {**plan, "scenarios": [{"name": "dry", "replace": {"elevation": "dem_dry.tif"}}]}
    run = go(dry, folder, tmp_path / "out")
    (failed,) = run.failed_scenarios
    assert failed.name == "dry"
    (fault,) = failed.faults
    assert fault.startswith("E230 scenario dry, elevation (dem_dry.tif): ")
    assert [each.folder for each in run.manifest.cases] == ["present"]


def test_check_deep_finds_it_and_plain_check_does_not_look(case):
    plan, folder = case
    spoil(folder / "dem.tif")
    loaded = uo.load_plan(plan, base=folder)
    check(loaded)
    with pytest.raises(
        UnderoakError, match=r"E230 elevation \(.*dem.tif\): block \d+ in .*dem.tif is damaged: it unpac"
    ):
        check(loaded, deep=True)


def test_blocks_are_verified_once_for_each_content_of_a_file(case, tmp_path, monkeypatch):
    plan, folder = case
    counts = looked_at(monkeypatch)
    go(plan, folder, tmp_path / "out")
    go(plan, folder, tmp_path / "out")
    moved = shutil.copytree(folder, tmp_path / "moved")  # another place, another inode
    go(plan, moved, tmp_path / "other")
    assert counts[0] > 4
    assert counts[1:] == [0, 0]
    before = os.stat(folder / "dem.tif")
    spoil(folder / "dem.tif")
    os.utime(folder / "dem.tif", ns=(before.st_atime_ns, before.st_mtime_ns))
    assert faults(plan, folder, tmp_path / "out")[0].code == "E230"


def test_a_wider_region_verifies_the_blocks_that_are_new(case, tmp_path, monkeypatch):
    plan, folder = case
    with rasterio.open(folder / "dem.tif") as raster:
        n_blocks = -(-raster.width // SIDE) * -(-raster.height // SIDE)

    left, top = LEFT, TOP
    counts = looked_at(monkeypatch)
    for cells in (10, 110, 110):
        box = [left + 300, top - 300 - 30 * cells, left + 300 + 30 * cells, top - 300]
        region = {"bounds": box, "crs": "EPSG:25831", "cell": "30 m"}
        bare = {key: part for key, part in plan.items() if key not in ("parcels", "zones")} | {"region": region}
        go(bare, folder, tmp_path / "out")
    assert 0 < counts[0] < counts[0] + counts[1] <= n_blocks
    assert counts[1] > 0
    assert counts[2] == 0


def test_a_cache_that_cannot_be_written_or_read_only_costs_time(case, tmp_path, monkeypatch):
    plan, folder = case
    counts = looked_at(monkeypatch)
    (tmp_path / "file").write_text("no folder")
    monkeypatch.setenv("UNDEROAK_CACHE", str(tmp_path / "file"))
    go(plan, folder, tmp_path / "out")
    go(plan, folder, tmp_path / "out")
    assert counts[0] == counts[1] > 0
    monkeypatch.setenv("UNDEROAK_CACHE", str(tmp_path / "junk"))
    (tmp_path / "junk").mkdir()
    (tmp_path / "junk" / "verified_blocks.txt").write_bytes(b"00000000 {}\n\xff\xfe\0 torn")
    go(plan, folder, tmp_path / "out")
    go(plan, folder, tmp_path / "out")
    assert counts[2:] == [counts[0], 0]


def test_the_record_adds_up_keeps_the_newer_half_and_survives_torn_lines(tmp_path, monkeypatch):
    monkeypatch.setenv("UNDEROAK_CACHE", str(tmp_path))
    rng = np.random.default_rng(11)
    sets = [np.unique(rng.integers(0, 500, 40)) for _ in range(3)]
    for numbers in sets:
        assert np.array_equal(numbers_of(spans_of(numbers)), numbers)
        add_verified({"aa": numbers, "bb": numbers[:1]})
    with open(tmp_path / "verified_blocks.txt", "ab") as record:
        record.write(b'1234 {"sha256": "aa"')
    assert np.array_equal(read_verified(["aa"])["aa"], np.unique(np.concatenate(sets)))
    assert read_verified(["cc"]) == {}
    for i in range(12):
        add_verified({f"{i:064d}": np.arange(0, 80_000, 2)})  # half a megabyte each
    last = f"{11:064d}"
    assert (tmp_path / "verified_blocks.txt").stat().st_size <= 4 * 2**20
    assert read_verified([f"{0:064d}"]) == {}
    assert last in read_verified([last])
