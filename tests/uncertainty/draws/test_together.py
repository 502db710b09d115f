"""Layers whose errors go together: as correlated as the plan says, or refused with the worst pair."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.base.grid import Window
from underoak.uncertainty.draws.cell_draws import Correlation
from underoak.uncertainty.draws.error_model import ErrorModel
from underoak.uncertainty.draws.together import LayersTogether

MANY = 4000


@given(st.integers(2, 6), st.integers(0, 2**32))
@settings(max_examples=40, deadline=None)
def test_sums_have_the_correlations_that_were_stated(count, seed):
    rng = np.random.default_rng(seed)
    loads = rng.normal(size=(count, count + 2))
    matrix = loads @ loads.T
    sizes = np.sqrt(np.diag(matrix))
    matrix = 0.95 * matrix / np.outer(sizes, sizes)
    names = [f"l{n}" for n in rng.permutation(count)]
    pairs = [([names[i], names[j]], float(matrix[i, j])) for i in range(count) for j in range(i)]
    sums = LayersTogether.of(pairs).sums(names)
    columns = {name: k for k, name in enumerate(names)}
    factor = np.zeros((count, count))
    for name, parts in sums.items():
        for other, weight in parts:
            factor[columns[name], columns[other]] = weight
    expected = matrix.copy()
    np.fill_diagonal(expected, 1.0)
    np.testing.assert_allclose(factor @ factor.T, expected, atol=1e-9)
    some = names[: max(count - 1, 1)]  # layers that are not drawn leave the others as they are
    fewer = LayersTogether.of(pairs).sums(some)
    assert {other for parts in fewer.values() for other, _ in parts} <= set(some)


@pytest.mark.parametrize("bias", [0.0, 0.3])
@pytest.mark.parametrize("range_m", [0.0, 800.0])
def test_draws_of_two_layers_are_correlated_cell_by_cell(bias, range_m):
    correlation = Correlation.of(range_m, 250.0, 250.0)
    sums = LayersTogether.of([(["rain", "cloud"], -0.64)]).sums(["rain", "cloud"])
    rain, cloud = (ErrorModel(name, correlation, bias, sums[name], sums[name]) for name in ("rain", "cloud"))
    window = Window(20, 30, 5, 6)
    a, b = (each.draw(7, window, MANY).cells().reshape(30, MANY) for each in (rain, cloud))
    measured = [np.corrcoef(a[i], b[i])[0, 1] for i in range(30)]
    assert np.mean(measured) == pytest.approx(-0.64, abs=0.03)
    alone = ErrorModel("cloud", correlation, bias).draw(7, window, MANY).cells().reshape(30, MANY)
    assert np.array_equal(b, alone)  # the first by name is drawn as by itself
    for i, j in ((0, 1), (3, 20)):  # and neither layer's own correlation is another
        places = [(20 + n // 6, 30 + n % 6) for n in (i, j)]
        assert np.corrcoef(a[i], a[j])[0, 1] == pytest.approx(float(rain.correlations(*places)), abs=0.06)


def test_layers_on_other_grids_share_their_common_parts_alone():
    sums = LayersTogether.of([(["rain", "soil"], 0.9)]).sums(["rain", "soil"])
    shares = {"rain": 0.5, "soil": 0.32}
    rain, soil = (ErrorModel(name, bias_share=share, common=sums[name]) for name, share in shares.items())
    a, b = (each.draw(2, Window(0, 0, 6, 6), MANY).cells().reshape(36, MANY) for each in (rain, soil))
    measured = np.mean([np.corrcoef(a[i], b[i])[0, 1] for i in range(36)])
    assert measured == pytest.approx(0.9 * np.sqrt(0.5 * 0.32), abs=0.03)
    assert np.corrcoef(rain.common_normals(2, MANY), soil.common_normals(2, MANY))[0, 1] == pytest.approx(0.9, abs=0.03)


@given(st.integers(3, 6), st.integers(0, 2**32))
@settings(max_examples=60, deadline=None)
def test_correlations_that_cannot_all_hold_are_refused_and_the_named_change_mends_them(count, seed):
    rng = np.random.default_rng(seed)
    names = [f"l{n}" for n in range(count)]
    pairs = {
        (a, b): float(rng.uniform(-0.9, 0.9)) for i, b in enumerate(names) for a in names[:i] if rng.random() < 0.8
    }
    matrix = np.eye(count)
    for (a, b), value in pairs.items():
        matrix[names.index(a), names.index(b)] = matrix[names.index(b), names.index(a)] = value
    least = np.linalg.eigvalsh(matrix).min()
    if least > 1e-5:
        LayersTogether.of(pairs.items())
        return
    if least > 1e-7:
        return
    with pytest.raises(UnderoakError) as caught:
        LayersTogether.of(pairs.items())
    (fault,) = caught.value.faults
    assert fault.code == "E363"
    _, first, _, second, _ = fault.what.split('"')
    assert (f"({pairs[first, second]:g})" if (first, second) in pairs else "(0, as the plan gives none)") in fault.what
    if fault.fix.startswith("give them"):
        low, high = (float(fault.fix.split()[n].strip(",")) for n in (4, 6))
        changed = pairs | {(first, second): (low + high) / 2}
        if high - low > 0.1:
            LayersTogether.of(changed.items())
        assert not low < pairs.get((first, second), 0.0) < high or high - low < 0.1


def test_a_chain_of_three_that_cannot_be_names_a_pair_and_what_it_may_be():
    with pytest.raises(UnderoakError) as caught:
        LayersTogether.of([(["a", "b"], 0.9), (["b", "c"], 0.8)])
    (fault,) = caught.value.faults
    assert '"a" and "b" (0.9)' in fault.what
    assert "between -0.60 and 0.60" in fault.fix  # (1 - 0.8**2)**0.5, as a and c are not stated


def test_a_proposed_correlation_is_one_that_a_plan_may_give():
    for sign in (1, -1):
        with pytest.raises(UnderoakError) as caught:
            LayersTogether.of([(["a", "c"], 0.8), (["b", "c"], sign * 0.8), (["a", "b"], sign * -0.9)])
        (fault,) = caught.value.faults
        low, high = (float(fault.fix.split()[n].strip(",")) for n in (4, 6))
        assert -1.0 < low < high < 1.0, fault.fix
        assert "0.99" in fault.fix


def test_a_pair_is_given_once():
    for groups in ([(["a", "b"], 0.1), (["b", "a", "c"], 0.2)], [(["a", "a"], 0.1)]):
        with pytest.raises(UnderoakError, match="E363"):
            LayersTogether.of(groups)


def test_nothing_together_is_no_table():
    table = LayersTogether.of([])
    assert (table.names, table.sums(["rain"])) == ((), {})
