"""Tasks on a scheduler that runs already, and what is reported where none does."""

import subprocess
import sys

import pytest
from dask import delayed
from distributed import LocalCluster

from lanewright.base.errors import InputError
from lanewright.rank import tasks
from lanewright.rank.tasks import Where, crew
from run.runs import environment


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


def test_workers_run_nothing_that_lies_in_the_current_folder(tmp_path):
    """The first module that a started process asks for would be found there."""
    here = tmp_path / "here"
    here.mkdir()
    (here / "multiprocessing.py").write_text(f"open({str(tmp_path / 'run')!r}, 'w')\n")
    script = tmp_path / "script.py"
    script.write_text(
        "from dask import delayed\n"
        "from pathlib import Path\n"
        "from lanewright.rank.tasks import Where, crew\n"
        "if __name__ == '__main__':\n"
        f"    with crew(Where(2, None, None, Path({str(tmp_path)!r}))) as compute:\n"
        "        compute([delayed(abs)(-7)], lambda number, value: print(value))\n"
    )
    done = subprocess.run(
        [sys.executable, str(script)], cwd=here, env=environment(), capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert done.stdout == "7\n", done.stderr
    assert not (tmp_path / "run").exists()
