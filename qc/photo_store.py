"""Photos on disk, each once by the hash of its content, without personal metadata."""

import hashlib
import io
import os
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from qc.database import plain_errors
from qc.errors import RecordError
from qc.metadata import strip_metadata


@dataclass(frozen=True)
class WrittenPhoto:
    """A photo that is safely on disk."""

    sha256: str
    original_sha256: str
    suffix: str
    width_px: int
    height_px: int


class PhotoStore:
    """A folder of photos named by their SHA-256, and a waiting room for uploads.

    Parameters
    ----------
    folder : Path
        Created when missing.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.waiting = folder / "received"
        with plain_errors():
            self.waiting.mkdir(parents=True, exist_ok=True)

    def path(self, sha256: str, suffix: str) -> Path:
        """Where a stored photo lies."""
        return self.folder / sha256[:2] / f"{sha256}{suffix}"

    def put(self, original: bytes, name: str = "photo") -> WrittenPhoto:
        """Store a photo without its personal metadata.

        Raises
        ------
        PhotoError
            The bytes are no photo.
        RecordError
            The disk is full or cannot be written.
        """
        clean = strip_metadata(original, name)
        sha256 = hashlib.sha256(clean.data).hexdigest()
        with plain_errors():
            _write_once(self.path(sha256, clean.suffix), clean.data)
        return WrittenPhoto(sha256, hashlib.sha256(original).hexdigest(), clean.suffix, clean.width_px, clean.height_px)

    def put_picture(self, data: bytes, suffix: str) -> WrittenPhoto:
        """Store a picture that the program itself has made. Raises RecordError."""
        sha256 = hashlib.sha256(data).hexdigest()
        with Image.open(io.BytesIO(data)) as image:
            width_px, height_px = image.size
        with plain_errors():
            _write_once(self.path(sha256, suffix), data)
        return WrittenPhoto(sha256, sha256, suffix, width_px, height_px)

    def receive(self, original: bytes) -> str:
        """Keep an upload as it came until its check is saved; gives the hash that fetches it again."""
        sha256 = hashlib.sha256(original).hexdigest()
        with plain_errors():
            _write_once(self.waiting / sha256, original)
        return sha256

    def received(self, sha256: str) -> bytes:
        """An upload that is still waiting.

        Raises
        ------
        RecordError
            There is none: it was saved already, or is older than a day.
        """
        if len(sha256) != 64 or not set(sha256) <= set("0123456789abcdef"):
            raise RecordError(f"{sha256[:70]!r} is no photo's code: take the photo again.")
        try:
            return (self.waiting / sha256).read_bytes()
        except FileNotFoundError as error:
            raise RecordError("The uploaded photo is no longer here: take it again.") from error

    def forget_received(self, older_than_hours: float, sha256s: tuple[str, ...] = ()) -> int:
        """Delete uploads by hash, and all that have waited too long; gives the number of them."""
        limit_s = time.time() - 3600 * older_than_hours
        gone = 0
        with plain_errors():
            for file in self.waiting.iterdir():
                if file.name in sha256s or file.stat().st_mtime < limit_s:
                    file.unlink(missing_ok=True)
                    gone += 1
        return gone

    def remove(self, sha256: str, suffix: str) -> None:
        """Delete one stored photo."""
        with plain_errors():
            self.path(sha256, suffix).unlink(missing_ok=True)

    def strays(self, known: set[str], older_than_s: float = 3600.0) -> list[Path]:
        """Files without a row: what a power cut between file and row leaves behind."""
        limit_s = time.time() - older_than_s
        files = (f for f in self.folder.glob("??/*") if f.is_file())
        return [f for f in files if f.stem.split(".")[0] not in known and f.stat().st_mtime < limit_s]


def _write_once(path: Path, data: bytes) -> None:
    """Temporary file, fsync, rename: the name is never there without the whole content."""
    if path.exists() and path.stat().st_size == len(data):
        os.utime(path)
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix="incoming-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
