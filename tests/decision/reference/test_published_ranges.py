"""The published figures: complete, ordered, and marked with source, year and grade."""

from __future__ import annotations

from underoak.decision.reference.published_ranges import Item, SeenAs, figures_of, published_figures


def test_every_item_has_a_figure_and_every_figure_a_source():
    assert {figure.item for figure in published_figures()} == set(Item)
    assert all(figure.source and figure.year and figure.unit for figure in published_figures())


def test_figures_of_the_notes():
    # the project's notes on money, each figure with the key of its source there
    assert [(f.low, f.high) for f in figures_of(Item.YIELD)] == [
        (25, 25), (50, 50), (100, 100), (34, 34), (0, 80), (50, 60), (8, 8),
    ]  # fmt: skip
    assert [(f.low, f.high) for f in figures_of(Item.FIRST_CROP)] == [(3, 5), (7, 7), (10, 10)]
    assert [(f.low, f.high) for f in figures_of(Item.HOURS)] == [(10, 15), (30, 30)]


def test_what_was_worked_out_says_so():
    # 80 t / 10,000 ha; 46,320 EUR / 100 kg; 15.3 M EUR / 617 ha; 60 t on a little over an acre
    worked_out = [f for f in published_figures() if f.grade is SeenAs.CALC]
    assert {(f.item, f.low) for f in worked_out} >= {
        (Item.YIELD, 8), (Item.PRICE, 463), (Item.IRRIGATION, 24800), (Item.LIME, 130),
    }  # fmt: skip
    assert round(46320 / 100) == 463
    assert round(15.3e6 / 617, -2) == 24800


def test_each_item_has_one_unit_save_for_currencies():
    for item in (Item.YIELD, Item.FIRST_CROP, Item.PRICE, Item.TREES, Item.HOURS, Item.LIME):
        assert len({figure.unit for figure in figures_of(item)}) == 1
