"""Tasks on a scheduler that runs already, and what is reported where none does."""

import pytest
from dask import delayed
from distributed import LocalCluster

from lanewright.base.errors import InputError
from lanewright.rank import tasks
from lanewright.rank.tasks import Where, crew


def halved(value):
    return 4 // value


def test_a_scheduler_by_its_address_computes_and_reports_each(tmp_path):
    """One task fails: the others come back, and its fault in its place."""
    with LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, protocol="tcp", host="127.0.0.1",
        dashboard_address=None,
    ) as cluster:  # fmt: skip
        found = {}
        with crew(Where(1, cluster.scheduler_address, None, tmp_path)) as compute:
            compute([delayed(halved, pure=False)(n) for n in (1, 0, 2)], found.__setitem__)
    assert (found[0], found[2]) == (4, 2)
    assert isinstance(found[1], ZeroDivisionError)


def test_no_scheduler_at_the_address_is_said(tmp_path, monkeypatch):
    monkeypatch.setattr(tasks, "SCHEDULER_WAIT", "0.5s")
    where = Where(1, "tcp://127.0.0.1:9", None, tmp_path)
    with pytest.raises(InputError, match="no Dask scheduler answers"), crew(where):
        pass
