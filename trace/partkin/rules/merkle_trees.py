"""Merkle trees as RFC 9162, 2.1.1 has them, with SHA-256."""

from __future__ import annotations

from functools import reduce
from hashlib import sha256


class MerkleTree:
    """A tree over leaves added one by one; it keeps only the roots of its full subtrees, the largest first."""

    def __init__(self) -> None:
        self._roots: list[bytes] = []
        self.leaves = 0

    def add(self, leaf: bytes) -> None:
        """Add a leaf after the others."""
        node = sha256(b"\x00" + leaf).digest()
        size = self.leaves
        while size & 1:  # a full subtree of the same size stands to the left
            node = _parent(self._roots.pop(), node)
            size >>= 1
        self._roots.append(node)
        self.leaves += 1

    def root(self) -> bytes:
        """The hash over all leaves, 32 bytes."""
        if not self._roots:
            return sha256().digest()
        return reduce(lambda right, left: _parent(left, right), reversed(self._roots))


def _parent(left: bytes, right: bytes) -> bytes:
    return sha256(b"\x01" + left + right).digest()
