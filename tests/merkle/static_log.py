"""A whole log as files, the way it is served: address under `log/` to bytes. Built with the merkle room alone."""

from collections.abc import Iterable, Sequence

from service.merkle.checkpoint import Checkpoint
from service.merkle.key import Signer, Witness
from service.merkle.note import sign_note
from service.merkle.proof_text import write_proof
from service.merkle.proofs import inclusion_proof
from service.merkle.tile import bundles, encode_bundle, tiles
from service.merkle.tree import EMPTY_EDGE, append, leaf_hash, root

ORIGIN = "skerrow.example/regulators"
LOG = Signer.from_seed(ORIGIN, bytes(range(32)))
WITNESS = Witness.from_seed("witness.example/north", bytes(range(32, 64)))


class StaticLog:
    """Entries, their tree, and the checkpoint signed over it."""

    def __init__(self, entries: Iterable[bytes], signer: Signer = LOG) -> None:
        self.entries = list(entries)
        self.edge, nodes = append(EMPTY_EDGE, map(leaf_hash, self.entries))
        self._nodes = [node for _, node in nodes]
        self.size = self.edge.size
        self.text = Checkpoint(signer.name, self.size, root(self.edge)).text
        self.checkpoint = sign_note(self.text, signer)

    def read(self, positions: Sequence[int]) -> list[bytes]:
        return [self._nodes[position] for position in positions]

    def cosigned(self, witness: Witness, at: int) -> bytes:
        """The checkpoint with one cosignature more."""
        lines = self.checkpoint.decode() + witness.cosign(self.text, at).line + "\n"
        return lines.encode()

    def proof(self, index: int) -> bytes:
        hashes = inclusion_proof(index, self.size, self.read)
        return write_proof(self.entries[index], index, hashes, self.checkpoint)

    def files(self) -> dict[str, bytes]:
        served = {"checkpoint": self.checkpoint}
        for tile in tiles(self.size):
            served[f"tile/{tile.path}"] = b"".join(self.read(tile.positions))
        for bundle in bundles(self.size):
            leaves = bundle.leaves
            served[f"tile/{bundle.path}"] = encode_bundle(self.entries[leaves.start : leaves.stop])
        return served


def recorded(size: int) -> list[bytes]:
    """As many entries, no two alike."""
    return [b'{"seq":%d}' % seq for seq in range(1, size + 1)]
