"""Bytes in, bytes out: the canonical form of an entry, the tree over all entries, and the proofs drawn from it."""
