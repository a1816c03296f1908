"""A network of its own for tests that start real peers, whose defaults open all addresses."""

from __future__ import annotations

import ctypes
import fcntl
import os
import socket
import struct
from collections.abc import Iterator
from contextlib import contextmanager

_NEW_NETWORK = 0x40000000  # CLONE_NEWNET
_GET_FLAGS, _SET_FLAGS, _UP = 0x8913, 0x8914, 0x1  # SIOCGIFFLAGS, SIOCSIFFLAGS, IFF_UP


@contextmanager
def own_network() -> Iterator[None]:
    """Within the block this thread, and what it starts, sees only a loopback of its own.

    Raises:
        OSError: the system doesn't allow it.
    """
    libc = ctypes.CDLL(None, use_errno=True)
    before = os.open("/proc/thread-self/ns/net", os.O_RDONLY)
    try:
        if libc.unshare(_NEW_NETWORK) != 0:
            raise OSError(ctypes.get_errno(), "no network namespace")
        try:
            _raise_loopback()
            yield
        finally:
            if libc.setns(before, _NEW_NETWORK) != 0:
                raise OSError(ctypes.get_errno(), "can't go back to the network")
    finally:
        os.close(before)


def _raise_loopback() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as any_socket:
        request = struct.pack("16sh14x", b"lo", 0)
        flags = struct.unpack("16sh14x", fcntl.ioctl(any_socket, _GET_FLAGS, request))[1]
        fcntl.ioctl(any_socket, _SET_FLAGS, struct.pack("16sh14x", b"lo", flags | _UP))
