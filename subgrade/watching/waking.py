"""What wakes the watch: a change in a folder, or the time."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterable, Iterator
from contextlib import suppress

SHARES = (
    *("nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afpfs", "webdav", "davfs", "drvfs", "vboxsf"),
    *("fuse.sshfs", "fuse.rclone", "fuse.davfs2", "prl_fs", "fuse.vmhgfs-fuse", "virtiofs"),
)
"""File systems whose changes from elsewhere the system does not report; common practice."""
POLL_MS = 1000
STEP_MS = 50
LONGEST_S = 2.0
"""The folder is looked at at least so often, whatever is reported: a share that went away and came
back, or a full queue of reports, loses changes; no source."""


class Waking:
    """Waits for a change below folders, no longer than asked.

    Parameters
    ----------
    folders : iterable of str
        Existing folders.
    stop : threading.Event
        Ends any wait.
    """

    def __init__(self, folders: Iterable[str], stop: threading.Event):
        self._folders = tuple(folders)
        self._stop = stop
        self._changed = threading.Event()
        self._threads: dict[str, threading.Thread] = {}

    def wait(self, seconds: float) -> None:
        """Until something changes, the time is over, or the watch is to stop."""
        self._begin()
        until = min(max(seconds, 0.0), LONGEST_S)
        step = STEP_MS / 1e3
        while until > 0 and not self._stop.is_set() and not self._changed.is_set():
            # a wait of the changes alone would not see the stop
            self._changed.wait(min(step, until))
            until -= step
        self._changed.clear()

    def close(self) -> None:
        """End the watch and its threads: one that is still inside the library when Python itself
        ends would take the exit code with it."""
        self._stop.set()
        for thread in self._threads.values():
            thread.join(LONGEST_S + 1.0)

    def _begin(self) -> None:
        """Listen at each folder that is there and not listened at."""
        for folder in self._folders:
            thread = self._threads.get(folder)
            if (thread is None or not thread.is_alive()) and os.path.isdir(folder):
                thread = threading.Thread(target=self._listen, args=(folder,), daemon=True)
                self._threads[folder] = thread
                thread.start()

    def _listen(self, folder: str) -> None:
        # whatever fails, the folder is looked at every few seconds all the same
        with suppress(Exception):
            for _ in self._changes(folder):
                self._changed.set()

    def _changes(self, folder: str) -> Iterator[object]:
        from watchfiles import watch

        number = os.stat(folder).st_ino
        for changes in watch(
            folder,
            watch_filter=None,
            debounce=100,
            step=STEP_MS,
            stop_event=self._stop,
            rust_timeout=2000,
            yield_on_timeout=True,
            raise_interrupt=False,
            force_polling=True if on_share(folder) else None,
            poll_delay_ms=POLL_MS,
            ignore_permission_denied=True,
        ):
            if changes:
                yield changes
            if os.stat(folder).st_ino != number:
                return  # another folder of that name, or a share mounted again


def on_share(folder: str) -> bool:
    """Whether a folder lies on a share, whose changes nobody reports.

    >>> on_share("/")
    False
    """
    try:
        with open("/proc/self/mounts", encoding="utf-8", errors="replace") as table:
            mounts = [line.split()[1:3] for line in table]
    except (OSError, IndexError):
        return os.name == "nt" and os.path.abspath(folder).startswith(("\\\\", "//"))
    place = os.path.realpath(folder)
    around = [
        (mount.replace("\\040", " "), kind)
        for mount, kind in mounts
        if (place + "/").startswith(mount.replace("\\040", " ").rstrip("/") + "/")
    ]
    return max(around, key=lambda found: len(found[0]), default=("", ""))[1] in SHARES
