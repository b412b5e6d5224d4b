"""Where the program keeps everything: records, photos, cameras that were learnt, the demo."""

import os
from pathlib import Path

import platformdirs

DATABASE_VARIABLE = "CAKEQC_DATABASE"  # names a database elsewhere


def data_folder() -> Path:
    """The folder that CAKEQC_DATA names, else the user's data directory of this program."""
    chosen = os.environ.get("CAKEQC_DATA")
    return Path(chosen).expanduser() if chosen else platformdirs.user_data_path("cakeqc", appauthor=False)
