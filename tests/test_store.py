"""Stage results: made once, made again when something changed or broke, whole or not at all."""

import json
import os
import pickle
import time
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from numpy.typing import NDArray
from pydantic import BaseModel
from shapely import Point

from lanewright.base.errors import InputError
from lanewright.flight.flight import fly_throws
from lanewright.growth.lanes import find_lanes
from lanewright.growth.vegetation import sort_vegetation
from lanewright.holes.holes import find_holes
from lanewright.land.ground import find_ground
from lanewright.land.reading import read_points
from lanewright.land.survey import lay_survey, mark_survey
from lanewright.land.terrain import find_terrain
from lanewright.layout.closer import bring_closer
from lanewright.layout.proposals import lay_out
from lanewright.layout.roundtees import place_round_tees
from lanewright.layout.roundwork import plan_rounds
from lanewright.legs.legs import find_legs
from lanewright.scene import build_scene
from lanewright.store import Meter, Store, Until, stage, writable
from lanewright.store.files import Damaged, check_value, read_json, write_json
from lanewright.store.form import classes_of
from lanewright.store.result import MANIFEST, STRUCTURE
from lanewright.trim.plan import plan_trim

calls: list[str] = []


class Rule(BaseModel):
    factor: float = 2.0


class Pair(NamedTuple):
    first: NDArray[np.float64]
    second: int


@dataclass(frozen=True)
class Found:
    values: NDArray[np.float64]
    places: gpd.GeoDataFrame
    note: str


@dataclass(frozen=True)
class Part:
    name: str
    numbers: NDArray[np.float32]


@dataclass(frozen=True)
class Rich:
    """One of everything that a stage may return."""

    parts: tuple[Part, ...]
    pair: Pair
    rule: Rule
    shape: shapely.Geometry
    table: pd.DataFrame
    facts: dict[str, object]
    nothing: Part | None = None


@dataclass(frozen=True)
class Scene:
    """Hands on what an earlier stage made, beside something of its own."""

    found: Found
    values: NDArray[np.float64]
    view: NDArray[np.float64]
    places: gpd.GeoDataFrame
    own: NDArray[np.float64]


@dataclass(frozen=True)
class Stranger:
    secret: int


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


@stage("scene", version=1)
def build(found: Found, rule: Rule) -> Scene:
    calls.append("scene")
    return Scene(
        found, found.values, np.asarray(found.values), found.places, found.values * rule.factor
    )


@stage("rich", version=1)
def rich(rule: Rule) -> Rich:
    table = pd.DataFrame({"n": pd.array([1, None], "Int64"), "t": ["a", None], "x": [np.nan, 0.1]})
    facts = {
        "list": [1, 2.5, None, True], "tuple": (1, "a"), "by number": {1: "one", 2: "two"},
        "@": "no mark", "small": np.float32(0.3), "nan": float("nan"), "deep": {"x": [(1,), []]},
    }  # fmt: skip
    return Rich(
        (Part("small", np.float32([0.1, np.nan])), Part("big", np.zeros((2000, 3), np.float32))),
        Pair(np.array([1.5, -0.0, np.inf]), 7), rule, Point(0.1, 0.2, 0.3), table, facts,
    )  # fmt: skip


@pytest.fixture(autouse=True)
def _fresh():
    calls.clear()


def run(folder: Path, root: str = "a", first: float = 2.0, second: float = 3.0, **how):
    store = Store(folder, **how)
    found = store.step(one, Root(root), Rule(factor=first))
    return store, found, store.step(two, found.values, Rule(factor=second))


def place_of(folder: Path, name: str) -> Path:
    (place,) = folder.glob(f"{name}-*")
    return place


# ---------------------------------------------------------------------------------------------
# Made once, made again when something changed


def test_results_come_back_as_they_were(tmp_path):
    _, found, total = run(tmp_path)
    assert total == np.arange(5000).sum() * 6
    assert found.note == "a"
    assert isinstance(found.values, np.memmap)
    assert not found.values.flags.writeable
    assert found.places.crs == 26916
    assert found.places.geometry.iloc[0].z == 3
    assert calls == ["one", "two"]


def test_everything_a_stage_may_return_comes_back_alike(tmp_path):
    made = rich(Rule(factor=9.0))
    for _ in range(2):  # as just made, and as read by a later run
        got = Store(tmp_path).step(rich, Rule(factor=9.0))
        assert [p.name for p in got.parts] == ["small", "big"]
        np.testing.assert_array_equal(got.parts[0].numbers, made.parts[0].numbers)
        assert got.parts[0].numbers.dtype == np.float32
        assert isinstance(got.parts[1].numbers, np.memmap)
        np.testing.assert_array_equal(got.pair.first, made.pair.first)
        assert np.signbit(got.pair.first[1])
        assert isinstance(got.pair, Pair)
        assert got.pair.second == 7
        assert got.rule == made.rule
        assert shapely.to_wkb(got.shape) == shapely.to_wkb(made.shape)
        pd.testing.assert_frame_equal(got.table, made.table)
        assert repr(got.facts) == repr(made.facts)
        assert got.nothing is None


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


def test_half_made_results_are_not_used(tmp_path):
    _, found, _ = run(tmp_path)
    place = place_of(tmp_path, "one")
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
    assert list(tmp_path.glob("*.part")) == []
    assert run(tmp_path)[2] == total
    assert calls == ["one", "two"]


def test_things_without_a_key_are_refused(tmp_path):
    with pytest.raises(TypeError, match="no key"):
        Store(tmp_path).digest(np.zeros(3))


def test_results_of_the_last_run_are_read_without_its_settings(tmp_path):
    run(tmp_path, first=5.0, second=7.0)
    store = Store(tmp_path)
    assert store.last(one).values[1] == 5.0
    assert store.last(two) == np.arange(5000).sum() * 35
    with pytest.raises(Damaged, match="no result of rich"):
        store.last(rich)


# ---------------------------------------------------------------------------------------------
# What is kept


def test_only_the_last_result_of_a_stage_is_kept(tmp_path):
    for factor in (1.0, 2.0, 3.0):
        run(tmp_path, first=factor)
    assert len(list(tmp_path.glob("one-*"))) == 1


def test_each_kind_of_run_keeps_its_last_results(tmp_path):
    run(tmp_path, second=1.0)
    for factor in (2.0, 3.0, 4.0):
        run(tmp_path, second=factor, run="own")
    assert len(list(tmp_path.glob("one-*"))) == 1
    assert len(list(tmp_path.glob("two-*"))) == 2
    calls.clear()
    run(tmp_path, second=1.0)
    run(tmp_path, second=4.0, run="own")
    assert calls == []


def test_leavings_of_a_killed_run_go_at_the_next(tmp_path):
    run(tmp_path)
    part = Store(tmp_path)._shelf.begin("one-0123")
    (part / "000.npy").write_bytes(b"half")
    run(tmp_path)
    assert not part.exists()


def test_only_what_we_wrote_is_removed(tmp_path):
    """A file of the user's in a folder of ours stays, and so does one that is named like ours."""
    run(tmp_path)
    mine = place_of(tmp_path, "one") / "notes.txt"
    mine.write_text("keep me")
    other = tmp_path / "one-ffffffffffffffffffff"
    other.mkdir()
    (other / "dem.tif").write_text("keep me too")
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "000.npy").write_text("and me")
    linked = place_of(tmp_path, "two")
    for file in linked.iterdir():
        file.unlink()
    linked.rmdir()
    linked.symlink_to(outside)
    run(tmp_path, first=7.0)
    assert [p.name for p in mine.parent.iterdir()] == ["notes.txt"]
    assert (other / "dem.tif").read_text() == "keep me too"
    assert (outside / "000.npy").read_text() == "and me"


def test_a_name_that_is_taken_is_refused(tmp_path):
    run(tmp_path)
    place = place_of(tmp_path, "two")
    for file in place.iterdir():
        file.unlink()
    (place / "mine.txt").write_text("keep me")
    with pytest.raises(InputError, match="no result of ours"):
        run(tmp_path)
    assert (place / "mine.txt").read_text() == "keep me"


# ---------------------------------------------------------------------------------------------
# What an earlier result holds is not written again


def scene(folder: Path, factor: float = 2.0, own: float = 3.0):
    store = Store(folder)
    found = store.step(one, Root("a"), Rule(factor=factor))
    return store, found, store.step(build, found, Rule(factor=own))


def test_arrays_and_tables_of_earlier_stages_are_referred_to(tmp_path):
    for _ in range(2):
        _, found, got = scene(tmp_path)
        assert got.found is found
        assert got.values is found.values
        assert got.places is found.places
        np.testing.assert_array_equal(got.view, found.values)
        np.testing.assert_array_equal(got.own, found.values * 3)
    assert calls == ["one", "scene"]
    held = {p.name for p in place_of(tmp_path, "scene").iterdir()}
    assert held == {"000.npy", STRUCTURE, MANIFEST}  # its own array alone
    uses = read_json(place_of(tmp_path, "scene") / MANIFEST)["uses"]
    assert uses == [place_of(tmp_path, "one").name]


def test_a_table_that_was_changed_is_no_longer_the_earlier_one(tmp_path):
    @stage("scene", version=2)
    def careless(found: Found) -> Scene:
        found.places["a"] = [2]
        return Scene(found, found.values, found.values, found.places, found.values)

    store = Store(tmp_path)
    found = store.step(one, Root("a"), Rule())
    assert store.step(careless, found).places["a"].tolist() == [2]


def test_what_is_lent_keeps_the_key_of_its_owner(tmp_path):
    """A stage that takes the lent array is not made again when only the scene changes."""

    def all_three(own: float):
        store, _, got = scene(tmp_path, own=own)
        store.step(two, got.values, Rule())

    all_three(3.0)
    all_three(4.0)
    assert calls == ["one", "scene", "two", "scene"]


def test_a_result_that_is_referred_to_is_not_tidied_away(tmp_path):
    scene(tmp_path, factor=2.0)
    earlier = place_of(tmp_path, "one")
    # A run with other settings that ends before the scene is built again.
    Store(tmp_path).step(one, Root("a"), Rule(factor=5.0))
    assert earlier.exists()
    assert len(list(tmp_path.glob("one-*"))) == 2
    _, found, got = scene(tmp_path, factor=2.0)
    assert got.values is found.values
    assert calls == ["one", "scene", "one"]
    _, found, _ = scene(tmp_path, factor=5.0)  # now nothing refers to the first any more
    assert not earlier.exists()
    assert len(list(tmp_path.glob("one-*"))) == 1
    np.testing.assert_array_equal(found.values[1], 5.0)


# ---------------------------------------------------------------------------------------------
# Damage is noticed


def every_file(folder: Path, name: str) -> list[str]:
    return sorted(p.name for p in place_of(folder, name).iterdir())


def zeroed(path: Path) -> None:
    path.write_bytes(bytes(path.stat().st_size))


def truncated(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-1])


def emptied(path: Path) -> None:
    path.write_bytes(b"")


def flipped(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)


def planted(path: Path) -> None:
    path.write_bytes(pickle.dumps(Trap()))


def linked(path: Path) -> None:
    elsewhere = path.parents[1] / "elsewhere"
    path.rename(elsewhere)
    path.symlink_to(elsewhere)


class Trap:
    def __reduce__(self):
        return calls.append, ("trap",)


@pytest.mark.parametrize("name", ["000.npy", "001.parquet", "extra.txt", STRUCTURE, MANIFEST])
@pytest.mark.parametrize(
    "harm", [zeroed, truncated, emptied, flipped, planted, Path.unlink, linked]
)
def test_a_damaged_result_is_made_again(tmp_path, name, harm):
    _, found, total = run(tmp_path)
    assert every_file(tmp_path, "one") == sorted(
        ["000.npy", "001.parquet", "extra.txt", STRUCTURE, MANIFEST]
    )
    wanted = np.array(found.values)
    harm(place_of(tmp_path, "one") / name)
    calls.clear()
    _, again, _ = run(tmp_path)
    assert calls == ["one"]
    np.testing.assert_array_equal(again.values, wanted)
    assert again.places.geometry.iloc[0] == Point(1, 2, 3)
    calls.clear()
    assert run(tmp_path)[2] == total
    assert calls == []


@pytest.mark.parametrize("harm", [zeroed, truncated, emptied, flipped, planted, Path.unlink])
def test_without_its_record_the_store_goes_on(tmp_path, harm):
    run(tmp_path)
    harm(tmp_path / "results.json")
    run(tmp_path, second=5.0)
    assert calls == ["one", "two", "two"]


@pytest.mark.parametrize("there", ["a.part", "b", "one/../../a.part"])
def test_a_planted_record_removes_nothing_outside(tmp_path, there):
    """It confirms its own checksum, and names folders of the user's as ours."""
    store = tmp_path / "out" / "stages"
    run(store)
    for name in ("a.part", "b"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "dem.tif").write_text("surveyed")
    said = read_json(store / "results.json")
    said["folders"][f"../../{there}"] = ["dem.tif"]
    said["folders"][str(tmp_path / "b")] = ["dem.tif"]
    write_json(store / "results.json", said)
    run(store, second=5.0)
    assert len(list(tmp_path.glob("*/dem.tif"))) == 2
    assert calls == ["one", "two", "two"]  # what is sound is used all the same


@pytest.mark.parametrize("files", [["../../../dem.tif"], ["linked/dem.tif"], ["/dev/null\0"]])
def test_files_of_a_planted_record_are_removed_from_their_folder_only(tmp_path, files):
    store = tmp_path / "out" / "stages"
    run(store)
    (tmp_path / "dem.tif").write_text("surveyed")
    (store / "stale").mkdir()
    (store / "stale" / "linked").symlink_to(tmp_path)
    said = read_json(store / "results.json")
    said["folders"]["stale"] = files
    write_json(store / "results.json", said)
    run(store, second=5.0)
    assert (tmp_path / "dem.tif").exists()


@pytest.mark.parametrize(
    "said",
    [
        {"folders": []},
        {"folders": {"one": 5}},
        {"last": {"whole": {"one": ["x"]}}},
        {"last": {"whole": {"one": "../elsewhere"}}},
        [],
    ],
)
def test_a_record_of_another_shape_is_as_none(tmp_path, said):
    run(tmp_path)
    if said:
        write_json(tmp_path / "results.json", said)
    else:
        (tmp_path / "results.json").write_text("[]")
    run(tmp_path)
    assert calls == ["one", "two"]


def test_a_manifest_that_refers_to_itself_does_not_go_on_for_ever(tmp_path):
    run(tmp_path)
    place = place_of(tmp_path, "one")
    write_json(place / MANIFEST, read_json(place / MANIFEST) | {"uses": [place.name]})
    run(tmp_path)
    assert calls == ["one", "two"]


@pytest.mark.parametrize(
    "said", [{"files": [], "uses": []}, {"files": {"/etc/hosts": {}}, "uses": []}, {"uses": 1}]
)
def test_a_manifest_of_another_shape_is_damage(tmp_path, said):
    run(tmp_path)
    write_json(place_of(tmp_path, "one") / MANIFEST, said)
    run(tmp_path)
    assert calls == ["one", "two", "one"]


def sealed(place: Path, name: str, content: bytes) -> None:
    """Plant a file whose checksum the manifest confirms."""
    (place / name).write_bytes(content)
    said = read_json(place / MANIFEST)
    said["files"][name] = {"bytes": len(content), "crc32": check_value(place / name)}
    write_json(place / MANIFEST, said)


def test_a_planted_result_that_fits_its_checksums_runs_no_code(tmp_path):
    run(tmp_path)
    place = place_of(tmp_path, "one")
    np.save(tmp_path / "trap.npy", np.array([Trap()], object), allow_pickle=True)
    sealed(place, "000.npy", (tmp_path / "trap.npy").read_bytes())
    calls.clear()
    run(tmp_path)
    assert calls == ["one"]  # noticed, made again, and the trap never called


@pytest.mark.parametrize(
    "form",
    [
        {"@": "os:system", "fields": {"command": "true"}},
        {"@": "subprocess:Popen", "fields": {"args": ["true"]}},
        {"@": f"{__name__}:Stranger", "fields": {"secret": 1}},
        {"@": "array", "file": "../two/000.npy"},
        {"@": "stored", "result": "two-0", "part": "__class__"},
        {"@": []},
        [{"@": "tuple"}],
    ],
)
def test_only_classes_that_the_stage_returns_are_built(tmp_path, form):
    run(tmp_path)
    sealed(place_of(tmp_path, "one"), STRUCTURE, json.dumps(form).encode())
    calls.clear()
    run(tmp_path)
    assert calls == ["one"]


def test_a_class_that_the_stage_does_not_declare_is_not_stored(tmp_path):
    @stage("odd", version=1)
    def odd() -> tuple[Part, ...]:
        return (Stranger(1),)

    with pytest.raises(TypeError, match="Stranger, which its return type does not reach"):
        Store(tmp_path).step(odd)


@pytest.mark.parametrize(
    "function",
    [read_points, lay_survey, mark_survey, find_ground, find_terrain, sort_vegetation, find_lanes,
     fly_throws, build_scene, find_legs, find_holes, plan_trim, lay_out,
     bring_closer, place_round_tees, plan_rounds],
)  # fmt: skip
def test_return_types_of_all_stages_are_known(function):
    assert function.stage[0]
    assert len(classes_of(function)) > 2  # besides grid and blocks, which always may occur


def test_no_module_of_the_store_knows_pickle():
    folder = Path(__import__("lanewright.store").store.__file__).parent
    for path in folder.glob("*.py"):
        text = path.read_text().replace("allow_pickle=False", "")
        assert "pickle" not in text, path


def test_times_of_files_are_of_no_matter(tmp_path):
    """As after the clock was set back, or a copy to another disk."""
    run(tmp_path)
    for path in tmp_path.rglob("*"):
        os.utime(path, (4e9, 4e9))
    run(tmp_path)
    assert calls == ["one", "two"]
    run(tmp_path, second=5.0)
    assert calls == ["one", "two", "two"]


# ---------------------------------------------------------------------------------------------
# What it costs, and where it goes


def test_meter_sees_memory_that_comes_and_goes():
    meter = Meter(every=0.005)
    before = Meter().stop()
    block = np.ones(20_000_000)
    time.sleep(0.05)
    del block
    assert meter.stop() > before + 100


def test_folder_that_cannot_be_written(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match="cannot be written"):
        writable(tmp_path / "file" / "out")
