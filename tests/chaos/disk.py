"""An ext4 file system of our own on a loop device, mounted where only this process and its children see it.

Use it in a private mount namespace (see scenarios.py). It can be filled, cut off as by a power cut, broken and mounted
again; the machine's own disks are never touched.
"""

from __future__ import annotations

import fcntl
import os
import struct
import subprocess
from pathlib import Path

SHUTDOWN = 0x8004587D  # FS_IOC_SHUTDOWN, linux/fs.h: _IOR('X', 125, __u32)
NO_LOG_FLUSH = 2  # EXT4_GOING_FLAGS_NOLOGFLUSH, fs/ext4/ext4.h: what the journal has not written is gone
MIB = 1 << 20


class Disk:
    """Mounted at `at` from the start on."""

    def __init__(self, folder: Path, *, size_mib: int, options: str = "") -> None:
        self._image, self.at = folder / "disk.image", folder / "disk"
        self._options = ",".join(["loop", *filter(None, [options])])
        self.at.mkdir()
        with self._image.open("wb") as image:
            image.truncate(size_mib * MIB)
        _do("mkfs.ext4", "-q", "-m", "0", str(self._image))
        self.mount()

    def mount(self) -> None:
        _do("mount", "-o", self._options, str(self._image), str(self.at))

    def unmount(self) -> None:
        _do("umount", str(self.at))

    def close(self) -> None:
        subprocess.run(["umount", "--lazy", str(self.at)], capture_output=True, check=False)

    def cut_power(self) -> None:
        """Nothing that is not on the disk gets there any more; every access fails until it is mounted again."""
        descriptor = os.open(self.at, os.O_RDONLY)
        try:
            fcntl.ioctl(descriptor, SHUTDOWN, struct.pack("I", NO_LOG_FLUSH))
        finally:
            os.close(descriptor)

    def fill(self, left_bytes: int) -> None:
        """Leave so many bytes free, by a file that takes the rest."""
        free = os.statvfs(self.at)
        take = free.f_bavail * free.f_frsize - left_bytes
        descriptor = os.open(self.at / "filler", os.O_CREAT | os.O_WRONLY)
        try:
            while take >= 4096:
                before = os.fstat(descriptor).st_size
                try:
                    os.posix_fallocate(descriptor, before, take)
                    return
                except OSError:  # the file's own blocks take some: less
                    take = take * 15 // 16 if take > MIB else take - 4096
        finally:
            os.close(descriptor)

    def clear(self) -> None:
        (self.at / "filler").unlink(missing_ok=True)

    def break_it(self) -> None:
        """Let the kernel find an error: with the mount option errors=remount-ro it is read-only from then on."""
        device = subprocess.run(
            ["findmnt", "-n", "-o", "SOURCE", str(self.at)], capture_output=True, text=True, check=True
        ).stdout.strip()
        (Path("/sys/fs/ext4") / Path(device).name / "trigger_fs_error").write_text("1\n")

    def turn(self, mode: str) -> str:
        """Ask for a remount as "ro" or "rw": what the kernel refuses with, empty when it did it."""
        tried = subprocess.run(
            ["mount", "-o", f"remount,{mode}", str(self.at)], capture_output=True, text=True, check=False
        )
        return tried.stderr.strip()


def _do(*command: str) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{' '.join(command)}: {done.stderr.strip()}"
