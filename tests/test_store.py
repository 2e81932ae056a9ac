"""Stage results: made once, made again when something changed, whole or not at all."""

from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from pydantic import BaseModel
from shapely import Point

from lanewright.base.errors import InputError
from lanewright.store import Meter, Store, Until, stage, writable

calls: list[str] = []


class Rule(BaseModel):
    factor: float = 2.0


@dataclass(frozen=True)
class Found:
    values: np.ndarray
    places: gpd.GeoDataFrame
    note: str


@dataclass(frozen=True)
class Root:
    content_key: str


@stage("one", version=1)
def one(root: Root, rule: Rule, *, workspace: Path, threads: int) -> Found:
    calls.append("one")
    (workspace / "extra.txt").write_text("mine")
    values = np.arange(5000) * rule.factor
    places = gpd.GeoDataFrame({"a": [1]}, geometry=[Point(1, 2, 3)], crs=26916)
    return Found(values, places, root.content_key)


@stage("two", version=1)
def two(values: np.ndarray, rule: Rule) -> float:
    calls.append("two")
    return float(values.sum() * rule.factor)


@pytest.fixture(autouse=True)
def _fresh():
    calls.clear()


def run(folder: Path, root: str = "a", first: float = 2.0, second: float = 3.0, **how):
    store = Store(folder, **how)
    found = store.step(one, Root(root), Rule(factor=first))
    return store, found, store.step(two, found.values, Rule(factor=second))


def test_results_come_back_as_they_were(tmp_path):
    _, found, total = run(tmp_path)
    assert total == np.arange(5000).sum() * 6
    assert found.note == "a"
    assert isinstance(found.values, np.memmap)
    assert not found.values.flags.writeable
    assert found.places.crs == 26916
    assert found.places.geometry.iloc[0].z == 3
    assert calls == ["one", "two"]


def test_nothing_changed_makes_nothing(tmp_path):
    run(tmp_path)
    store, _, total = run(tmp_path)
    assert calls == ["one", "two"]
    assert total == np.arange(5000).sum() * 6
    assert all(t.reused for t in store.timings)


def test_a_later_setting_keeps_earlier_stages(tmp_path):
    run(tmp_path)
    run(tmp_path, second=4.0)
    assert calls == ["one", "two", "two"]


def test_earlier_changes_reach_later_stages(tmp_path):
    run(tmp_path)
    run(tmp_path, first=5.0)
    run(tmp_path, first=5.0, root="b")
    assert calls == ["one", "two"] * 3


def test_threads_and_workspace_are_no_part_of_the_key(tmp_path):
    run(tmp_path)
    run(tmp_path, threads=7)
    assert calls == ["one", "two"]
    assert len(list(tmp_path.glob("one-*/extra.txt"))) == 1


def test_from_a_stage_on(tmp_path):
    run(tmp_path)
    run(tmp_path, start_at="two")
    assert calls == ["one", "two", "two"]
    run(tmp_path, start_at="one")
    assert calls == ["one", "two", "two", "one", "two"]


def test_until_a_stage(tmp_path):
    with pytest.raises(Until):
        run(tmp_path, stop_after="one")
    assert calls == ["one"]
    run(tmp_path)
    assert calls == ["one", "two"]


def test_only_the_last_result_of_a_stage_is_kept(tmp_path):
    for factor in (1.0, 2.0, 3.0):
        run(tmp_path, first=factor)
    assert len(list(tmp_path.glob("one-*"))) == 1


def test_half_made_results_are_not_used(tmp_path):
    _, found, _ = run(tmp_path)
    place = next(tmp_path.glob("one-*"))
    place.rename(place.with_name(place.name + ".part"))
    _, again, _ = run(tmp_path)
    assert calls == ["one", "two", "one"]  # same key, so the second stage still holds
    np.testing.assert_array_equal(found.values, again.values)


def test_failing_stage_leaves_the_earlier_result(tmp_path):
    @stage("two", version=1)
    def broken(values: np.ndarray, rule: Rule) -> float:
        raise InputError("x", "y", "z")

    store, found, total = run(tmp_path)
    with pytest.raises(InputError):
        store.step(broken, found.values, Rule(factor=9.0))
    assert run(tmp_path)[2] == total
    assert calls == ["one", "two"]


def test_things_without_a_key_are_refused(tmp_path):
    with pytest.raises(TypeError, match="no key"):
        Store(tmp_path).digest(np.zeros(3))


def test_meter_sees_memory_that_comes_and_goes():
    meter = Meter(every=0.005)
    before = Meter().stop()
    block = np.ones(20_000_000)
    import time

    time.sleep(0.05)
    del block
    assert meter.stop() > before + 100


def test_folder_that_cannot_be_written(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match="cannot be written"):
        writable(tmp_path / "file" / "out")
