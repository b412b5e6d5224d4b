"""What every test stands on: one thread a worker, and a data folder that is not the user's own."""

import os
from collections.abc import Iterator

os.environ.setdefault("OMP_NUM_THREADS", "1")  # before numpy is loaded; the workers of one run share the cores
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest


@pytest.fixture(autouse=True, scope="session")
def own_data_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No test reads or changes the records and learnt cameras of the person who runs it."""
    with pytest.MonkeyPatch.context() as patch:
        folder = tmp_path_factory.mktemp("data")
        patch.setenv("CAKEQC_DATA", str(folder))
        patch.setenv("CAKEQC_DATABASE", f"sqlite:///{folder / 'records.sqlite'}")
        yield
