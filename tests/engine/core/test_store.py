"""A survey handed on grid by grid, most of it in files, gives what one table gives."""

import inspect
import resource
import sys
from dataclasses import fields, replace

import numpy as np
import pytest
from turnrow.processing_provider.engine.core.edits import Edits, FlagEdit
from turnrow.processing_provider.engine.core.errors import EngineError
from turnrow.processing_provider.engine.core.readings import Readings, concatenate
from turnrow.processing_provider.engine.core.records import Record
from turnrow.processing_provider.engine.core.store import Blocks, GridStore, for_tables, grid_by_grid, scratch_folder
from turnrow.processing_provider.engine.workflow.recipe import Step, correct, default_recipe, options_of


def same(one, other):
    """Compare tables, records and whatever they hold, number by number."""
    if isinstance(one, Readings):
        for item in fields(Readings):
            same(getattr(one, item.name), getattr(other, item.name))
    elif isinstance(one, dict):
        assert list(one) == list(other)
        for key in one:
            same(one[key], other[key])
    elif isinstance(one, Record):
        same(one.as_json(), other.as_json())
    elif isinstance(one, (list, tuple)):
        assert len(one) == len(other)
        for a, b in zip(one, other):
            same(a, b)
    elif isinstance(one, (np.ndarray, float)):
        np.testing.assert_allclose(one, other, rtol=1e-12, atol=1e-12)
    else:
        assert one == other


def stored(table, folder=None, most_bytes=0):
    store = GridStore(folder, most_bytes)
    for name, part in table.by_grid():
        store.put(name, part.replace(grids=(name,), grid=np.zeros(len(part), np.int32)))
    return store


def joined(store):
    return concatenate([part for _, part in store.items()])


@pytest.fixture(scope="module")
def four(walk):
    """Two by two grids walked out and back with a lag, stripes, drift, iron and levels of their own."""
    faults = walk.Faults(lag_m=0.2, noise=0.15, stripe=0.4, drift=0.3)
    return concatenate([w.readings for w in walk.block(np.random.default_rng(3), faults, across=2, size_m=10.0)])


def test_what_is_kept_in_files_comes_back(four, tmp_path):
    store = stored(four, tmp_path)
    assert len(list(tmp_path.iterdir())) == 4
    same(joined(store), four)
    assert store.counts == {name: int(np.sum(four.grid == i)) for i, name in enumerate(four.grids)}


def test_what_is_small_makes_no_files(four, tmp_path):
    same(joined(stored(four, tmp_path, 2**30)), four)
    assert not list(tmp_path.iterdir())


def test_files_of_tables_that_are_replaced_are_gone(four, tmp_path):
    store = stored(four, tmp_path)
    other = store.copy()
    for name, part in other.items():
        other.put(name, part.with_flag("void", slice(None)))
    assert len(list(tmp_path.iterdir())) == 8
    same(joined(store), four)
    assert not joined(other).in_use.any()
    for name, part in store.items():
        store.put(name, part)
    assert len(list(tmp_path.iterdir())) == 8


def test_grids_with_other_channels_come_out_as_joined_tables_do(tmp_path):
    first = Readings.build(
        [1, 1], {"eca": [1.0, 2.0]}, grids=("A",), units={"eca": "mS/m"}, extras={"mark": np.ones(2)}
    )
    second = Readings.build([1], {"inphase": [3.0]}, grids=("B",), units={"inphase": "ppt"})
    whole = concatenate([first, second])
    store = GridStore(tmp_path, 0)
    store.put("A", first)
    store.put("B", second)
    assert (store.channels, store.units) == (tuple(whole.channels), whole.units)
    same(joined(store), whole)


def test_scratch_folder_is_gone_after_an_error(tmp_path):
    def fail():
        with scratch_folder(tmp_path) as folder:
            (folder / "kept.npy").write_text("x")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert not list(tmp_path.iterdir())


def test_scratch_folder_that_cannot_be_made_is_told(tmp_path):
    with pytest.raises(EngineError, match="No scratch folder can be made"), scratch_folder(tmp_path / "nowhere"):
        pass


@pytest.mark.skipif(sys.platform == "win32", reason="no limit of file sizes")
def test_full_disk_is_told_in_a_sentence(four, tmp_path):
    """A limit of the size of files stands for the end of the disk: writing fails in the same way, half-way."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, before[1]))
    try:
        with pytest.raises(EngineError, match="scratch folder .* cannot be written.*Is the disk full"):
            stored(four, tmp_path)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert not list(tmp_path.iterdir())


def test_blocks_in_files_come_back(tmp_path):
    blocks = Blocks(tmp_path, 8 * 6)
    given = {(0, 512 * i): np.arange(6.0).reshape(2, 3) + i for i in range(3)}
    for start, block in given.items():
        blocks[start] = block
    assert len(list(tmp_path.iterdir())) == 2
    same(dict(blocks.items()), given)


@pytest.mark.parametrize("model", ["offset", "plane"])
@pytest.mark.parametrize("method", ["neighbours and ties", "direction only"])
def test_corrections_grid_by_grid_equal_those_of_one_table(four, tmp_path, method, model):
    other = {"balancetraverses": {"method": method}, "balancegrids": {"model": model}}
    usual = default_recipe()
    steps = tuple(replace(s, options={**s.options, **other.get(s.step, {})}) for s in usual.steps)
    recipe = replace(usual, steps=steps, edits=Edits(flags=(FlagEdit("A2", 4, 1, 3, 5), FlagEdit("B1", 6, 1, 0, 9))))
    spiked = four.channels["eca"].copy()
    spiked[500::1717] += 30.0
    table = four.replace(channels={"eca": spiked})
    whole, records = correct(table, recipe)
    store = stored(table, tmp_path)
    same(correct.on_store(store, recipe), records)
    same(joined(store), whole)
    assert records[0].figures.flagged >= 3
    assert records[1].figures.shift_m == pytest.approx(-0.2, abs=0.05)
    assert np.count_nonzero(whole.has_flag("void")) == 3 + 10


def test_levels_of_grids_that_were_not_balanced_before(four, tmp_path):
    steps = (Step("balancegrids", options_of("balancegrids")), default_recipe().interpolation)
    recipe = replace(default_recipe(), steps=steps)
    whole, records = correct(four, recipe)
    store = stored(four, tmp_path)
    same(correct.on_store(store, recipe), records)
    same(joined(store), whole)


def test_rows_keep_their_order_and_what_is_given_stays(four):
    order = np.random.default_rng(1).permutation(len(four))
    mixed = four.take(order)
    before = mixed.channels["eca"].copy()

    def doubled(grids):
        for name, part in grids.items():
            grids.put(name, part.with_channel("eca", 2 * part.channels["eca"]))
        return grids.names

    changed, names = grid_by_grid(mixed, doubled)
    assert names == four.grids
    np.testing.assert_array_equal(changed.channels["eca"], 2 * four.channels["eca"][order])
    np.testing.assert_array_equal(changed.raw["eca"], before)
    np.testing.assert_array_equal(mixed.channels["eca"], before)
    same(changed.replace(channels={}, raw={}), mixed.replace(channels={}))


def test_form_for_a_table_has_the_options_of_the_correction_and_leads_back_to_it(four):
    @for_tables
    def doubled(grids: GridStore, *, times: float = 2.0) -> str:
        """Multiply readings."""
        for name, part in grids.items():
            grids.put(name, part.with_channel("eca", times * part.channels["eca"]))
        return " ".join(grids.names)

    changed, record = doubled(four, times=3.0)
    np.testing.assert_array_equal(changed.channels["eca"], 3.0 * four.channels["eca"])
    store = stored(four)
    assert doubled.on_store(store, times=3.0) == record == "A1 A2 B1 B2"
    same(joined(store), changed)
    assert doubled.__doc__ == "Multiply readings."
    options = inspect.signature(doubled).parameters
    assert list(options) == ["readings", "times"]
    assert options["times"].default == 2.0
