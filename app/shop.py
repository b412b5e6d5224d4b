"""What every page needs of the shop: its records, opened once."""

import os
from functools import lru_cache

from qc import house
from qc.data_folder import DATABASE_VARIABLE
from qc.records import Store, open_store


def store() -> Store:
    """The shop's records, opened once per address, with house standards to start from."""
    return _open(os.environ.get(DATABASE_VARIABLE))


@lru_cache(maxsize=4)
def _open(url: str | None) -> Store:
    opened = open_store(url)
    house.begin(opened)
    return opened
