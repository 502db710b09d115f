"""From coordinates to a ranked shortlist: `new --at`, `gather` from a local host, `run`."""

from __future__ import annotations

import json

import numpy as np
import pytest
from click.testing import CliRunner

from underoak.base import crs as _crs
from underoak.base.errors import UnderoakError
from underoak.cli import main
from underoak.plan import PURPOSES, load_plan
from underoak.runs.run import run
from underoak.sources.catalogue.addresses import address, chosen_map
from underoak.sources.catalogue.catalogue import catalogue
from underoak.sources.catalogue.tile_rules import TILE_RULES
from underoak.sources.gather.gather import gather
from underoak.sources.starter.place_grid import place_grid
from underoak.sources.starter.place_plan import new_at

from local_host import IGH, local_catalogue, sparse, tif

PLACE = (44.13, 4.93)


@pytest.mark.parametrize("purpose", PURPOSES)
def test_a_plan_for_a_place_loads_and_gathers_what_its_profile_looks_at(tmp_path, purpose):
    paths, grid = new_at(tmp_path / "mine", purpose, at=PLACE, radius_m=8000.0)
    plan = load_plan(paths[0], strict=True)
    assert plan.purpose == purpose
    assert plan.region.crs == grid.crs == "EPSG:32631"
    assert all(layer.gather is not None for layer in plan.spec.layers.values() if layer.file is not None)
    assert plan.profile is not None
    weights = {name: criterion.weight for name, criterion in plan.profile.criteria.items()}
    assert sum(weights[c.name] for c in plan.criteria if c.weight > 0) / sum(weights.values()) >= 0.6
    text = paths[0].read_text(encoding="utf-8")
    assert "# carbonate:" in text
    assert "# - {name: protected" in text
    assert "# - {name: floods" in text
    assert "underoak gather plan.yaml" in text
    for name, layer in plan.spec.layers.items():
        if layer.gather is not None:
            each = catalogue()[layer.gather.set]
            chosen = chosen_map(layer.gather.set, each, layer.gather.band, name)
            assert each.licence.value in layer.source
            assert chosen.band.unit is None or not chosen.band.unit.is_unsure


@pytest.mark.parametrize(
    ("latitude", "longitude", "code"),
    # zone = floor((lon + 180) / 6) + 1; 326xx north, 327xx south
    [(44.1, 4.9, 32631), (-35.3, 149.1, 32755), (40.1, -0.8, 32630), (-42.0, -179.99, 32701), (10.0, 180.0, 32660)],
)
def test_the_system_is_the_utm_zone_of_the_place(latitude, longitude, code):
    grid = place_grid((longitude, latitude, longitude, latitude), 4000.0)
    assert grid.crs == f"EPSG:{code}"
    x, y = _crs.transformer("EPSG:4326", grid.crs).transform(longitude, latitude)
    left, bottom, right, top = grid.bounds
    assert 4500 <= min(x - left, right - x, y - bottom, top - y) <= 4500 + grid.cell_m
    assert all(bound % grid.cell_m == 0 for bound in grid.bounds)


def test_a_wide_region_gets_an_equal_area_system_and_larger_cells():
    grid = place_grid((4.0, 44.0, 4.0, 44.0), 300_000.0)
    assert "+proj=laea" in grid.crs
    assert grid.cell_m > 30
    assert (grid.bounds[2] - grid.bounds[0]) * (grid.bounds[3] - grid.bounds[1]) / grid.cell_m**2 <= 26e6


@pytest.mark.parametrize("place", [(89.0, 0.0), (-85.0, 10.0)])
def test_a_place_near_a_pole_is_refused(tmp_path, place):
    with pytest.raises(UnderoakError, match="E304"):
        new_at(tmp_path / "x", "buy", at=place)
    assert not (tmp_path / "x").exists()


def test_parcels_of_the_user_set_the_region_and_their_id(tmp_path):
    def square(west, south, name):
        ring = [[west, south], [west + 0.01, south], [west + 0.01, south + 0.01], [west, south + 0.01], [west, south]]
        geometry = {"type": "Polygon", "coordinates": [ring]}
        return {"type": "Feature", "properties": {"crop": "oats", "plot": name}, "geometry": geometry}

    shapes = {"type": "FeatureCollection", "features": [square(4.9, 44.1, "a"), square(5.0, 44.2, "b")]}
    file = tmp_path / "fields.geojson"
    file.write_text(json.dumps(shapes), encoding="utf-8")
    paths, grid = new_at(tmp_path / "mine", "buy", parcels=file)
    plan = load_plan(paths[0], strict=True)
    assert plan.parcels.id == "plot"
    assert (plan.base / plan.parcels.file).resolve() == file.resolve()
    box = _crs.transformer("EPSG:4326", grid.crs).transform_bounds(4.9, 44.1, 5.01, 44.21, densify_pts=21)
    assert grid.bounds[0] <= box[0] - 1000
    assert grid.bounds[3] >= box[3] + 1000
    assert not (tmp_path / "mine" / "data" / "square.geojson").exists()


@pytest.mark.parametrize(
    "options", [["--at", "144.1,4.9"], ["--at", "here"], ["--radius", "8km"], ["--at", "44,4", "--parcels", "x"]]
)
def test_wrong_options_are_told(tmp_path, options):
    result = CliRunner().invoke(main, ["new", str(tmp_path / "mine"), "--for", "buy", *options])
    assert result.exit_code == 2
    assert not (tmp_path / "mine").exists()


def serve_everything(host, folder, plan) -> None:
    """Put a file on the host for every address that the plan needs, with values that are a formula of place."""
    chance = np.random.default_rng(7)
    longitude, latitude = PLACE[1], PLACE[0]
    sets = catalogue()
    for spec in {layer.gather for layer in plan.spec.layers.values() if layer.gather is not None}:
        chosen = chosen_map(spec.set, sets[spec.set], spec.band, "")
        rule, blocks = TILE_RULES[chosen.data_set.tiles.rule], chosen.band.blocks or 1
        x, y = _crs.transformer("EPSG:4326", chosen.data_set.crs.value).transform(longitude, latitude)
        tile = rule.at(x, y, blocks)
        listing = chosen.data_set.tiles.listing
        put = lambda url, data: host.files.__setitem__("/" + url.removeprefix("https://"), data)  # noqa: E731
        if spec.set == "soilgrids_2_0":
            side = 1800 // blocks
            values = {"phh2o": 74, "clay": 250, "sand": 350, "soc": 180}[chosen.band_name]
            cells = (values + values * 0.1 * chance.random((side, side))).astype(np.int16)
            data = tif(
                folder / "t.tif",
                cells,
                tile.bounds[0],
                tile.bounds[3],
                250.0,
                IGH,
                nodata=-32768,
                blockysize=9 if side == 450 else 6,
            )
            put(address(chosen, tile.name), data)
            source = f'<SourceFilename relativeToVRT="1">x/{tile.name}.tif</SourceFilename>'
            put(listing.address.value.format(**dict(chosen.fields), tile=""), source.encode())
        elif spec.set == "copernicus_glo30":
            cell = 1 / 3600
            data = sparse(
                folder / "t.tif", (3600, 3600), tile.bounds[0] - cell / 2, tile.bounds[3] + cell / 2, cell, "float32",
                lambda r, c: 400 + 30 * np.sin(r / 200) + c / 40, compress="deflate", predictor=3, blockxsize=1024,
                blockysize=1024, area_or_point="Point",
            )  # fmt: skip
            put(address(chosen, tile.name), data)
            put(listing.address.value, f"Copernicus_DSM_COG_10_{tile.name}_DEM".encode())
        elif spec.set == "worldcover_2021":
            data = sparse(
                folder / "t.tif", (36000, 36000), tile.bounds[0], tile.bounds[3], 1 / 12000, "uint8",
                lambda r, c: 10 * (1 + (r // 500 + c // 700) % 4), nodata=0, compress="deflate", blockxsize=1024,
                blockysize=1024,
            )  # fmt: skip
            put(address(chosen, tile.name), data)
            put(listing.address.value, f'{{"ll_tile": "{tile.name}"}}'.encode())
        else:
            for month in range(1, 13):
                warm = 2860 + 90 * np.sin((month - 4) / 12 * 2 * np.pi)
                base = {"tas": warm, "pr": 600 + 20 * month}[chosen.band_name]
                data = sparse(
                    folder / "t.tif", (20880, 43200), -180 - 0.5 / 3600, 84 - 0.5 / 3600, 1 / 120, "uint16",
                    lambda r, c, base=base: base + (r + c) % 20, nodata=65535, compress="lzw", blockxsize=512,
                    blockysize=512, scales=(0.1, 0.0),
                )  # fmt: skip
                put(address(chosen, "", month), data)


def test_from_coordinates_to_a_judged_parcel_in_three_steps(host, tmp_path):
    paths, _ = new_at(tmp_path / "mine", "buy", at=PLACE, radius_m=600.0)
    text = paths[0].read_text(encoding="utf-8")
    paths[0].write_text(
        text.replace("  roots: [data] ", '  allow_hosts: ["127.0.0.1"]\n  roots: [data] '), encoding="utf-8"
    )
    plan = load_plan(paths[0])
    serve_everything(host, tmp_path, plan)
    sets = {layer.gather.set for layer in plan.spec.layers.values() if layer.gather is not None}
    folder = local_catalogue(tmp_path / "catalogue", host.root, *sets)
    done = gather(plan, tmp_path / "store", lambda survey: True, sources=folder)
    assert {each.name for each in done.files} == {layer.file for layer in plan.spec.layers.values() if layer.file}
    result = run(plan, out=tmp_path / "out")
    (row,) = result.parcels.to_dict("records")
    assert row["id"] == "here"
    assert row["valid_share"] == pytest.approx(1.0)
    assert 0.0 < row["suitability"] <= 1.0
    assert "CHELSA 2.1" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "CC BY 4.0" in (tmp_path / "out" / "run.json").read_text(encoding="utf-8")
