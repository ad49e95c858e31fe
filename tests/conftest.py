"""One run of the demo and one of the small body, shared by all tests of the command line."""

from __future__ import annotations

import shutil

import pytest


@pytest.fixture(scope="session")
def demo_job(tmp_path_factory):
    """The demo's folder after `loft run`; what was printed stands in said.txt."""
    import runs

    def make(folder):
        assert runs.loft("demo", folder / "corncrake").exit_code == 0
        done = runs.loft("run", folder / "corncrake")
        assert done.exit_code == 0, done.output
        (folder / "said.txt").write_text(done.stdout)

    return runs.shared(tmp_path_factory, "demo", make) / "corncrake"


@pytest.fixture(scope="session")
def demo_out(demo_job):
    return demo_job / "out"


@pytest.fixture(scope="session")
def small_job(tmp_path_factory):
    """The small body's folder after `loft run`."""
    import runs
    import small_body

    def make(folder):
        small_body.write(folder / "small")
        done = runs.loft("run", folder / "small")
        assert done.exit_code == 0, done.output
        (folder / "said.txt").write_text(done.stdout)

    return runs.shared(tmp_path_factory, "small", make) / "small"


@pytest.fixture
def job(tmp_path):
    """The small body's folder, not yet run."""
    import small_body

    return small_body.write(tmp_path / "small")


@pytest.fixture
def done(small_job, tmp_path):
    """A copy of the small body's job with its finished run."""
    return shutil.copytree(small_job, tmp_path / "done")
