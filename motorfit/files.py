"""Writing files: whole or not at all, and never over another without being asked."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path

from motorfit.errors import OutputError


def write_whole(path: Path, text: str, *, force: bool = False) -> None:
    """Write a text file in UTF-8, whole or not at all.

    The text goes to a file beside ``path`` first, which then takes its name in one step.

    Parameters
    ----------
    path : Path
        The file. Its folder must exist.
    text : str
        All of it; line ends are written as they are.
    force : bool
        Replace a file that is there.

    Raises
    ------
    OutputError
        If there is a file of that name and ``force`` is not set, or if it cannot be
        written.
    """
    write_bytes_whole(path, text.encode("utf-8"), force=force)


def write_bytes_whole(path: Path, content: bytes, *, force: bool = False) -> None:
    """Write a file, whole or not at all, as `write_whole` does.

    Parameters
    ----------
    path : Path
        The file. Its folder must exist.
    content : bytes
        All of it.
    force : bool
        Replace a file that is there.

    Raises
    ------
    OutputError
        If there is a file of that name and ``force`` is not set, or if it cannot be
        written.
    """
    with _told_plainly(path), _beside(path, content) as draft:
        if force:
            draft.replace(path)
        else:
            _name_if_free(draft, path)


def write_folder(folder: Path, texts: Mapping[str, str], *, force: bool = False) -> None:
    """Write several text files into one folder, all of them or none.

    Parameters
    ----------
    folder : Path
        Made where it is missing, with the folders above it.
    texts : mapping of str to str
        The text of each file, by its name within the folder.
    force : bool
        Replace files that are there.

    Raises
    ------
    OutputError
        If files of these names are there and ``force`` is not set, or if one cannot be
        written.
    """
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder} is a file, not a folder: nothing was written. Choose another.")
    taken = sorted(name for name in texts if os.path.lexists(folder / name))
    if taken and not force:
        raise OutputError(
            f"{folder} already has {', '.join(taken)}: nothing was written. "
            "Choose another folder, or replace them, and what is in them, with --force."
        )
    with _told_plainly(folder), contextlib.ExitStack() as stack:
        folder.mkdir(parents=True, exist_ok=True)
        drafts = {
            name: stack.enter_context(_beside(folder / name, text.encode("utf-8")))
            for name, text in texts.items()
        }
        for name, draft in drafts.items():
            draft.replace(folder / name)


@contextlib.contextmanager
def _beside(path: Path, content: bytes) -> Iterator[Path]:
    """A finished draft in the folder of ``path``, gone afterwards if nobody took it."""
    number, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-", suffix=".part")
    draft = Path(name)
    try:
        with os.fdopen(number, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        draft.chmod(_usual_mode())
        yield draft
    finally:
        draft.unlink(missing_ok=True)


def _usual_mode() -> int:
    """Permissions of a new file: `mkstemp` gives its files to their owner alone."""
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def _name_if_free(draft: Path, path: Path) -> None:
    """Give ``draft`` the name ``path``, unless something has it."""
    if os.path.lexists(path):
        raise FileExistsError(path)
    try:
        os.link(draft, path)  # fails if the name was taken meanwhile
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        draft.replace(path)


@contextlib.contextmanager
def _told_plainly(path: Path) -> Iterator[None]:
    """Turn what the system says into an `OutputError` with a remedy."""
    try:
        yield
    except FileExistsError:
        raise OutputError(
            f"{path} is there already: nothing was written. "
            "Choose another name, or replace it with --force."
        ) from None
    except FileNotFoundError:
        raise OutputError(
            f"{path}: there is no folder {path.parent}. Make it first, or choose another."
        ) from None
    except PermissionError:
        raise OutputError(
            f"{path}: no permission to write there. Choose a folder of your own."
        ) from None
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise OutputError(
            f"{path}: could not be written ({reason}). Nothing was left there."
        ) from None
