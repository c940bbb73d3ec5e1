"""Notes and keys that others published, and what the tests of notes and keys have in common."""

import base64
from pathlib import Path

import pytest
from hypothesis import strategies as st

from service.merkle.key import NoteError

# C2SP signed-note, its example.
EXAMPLE_KEY = "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k"
EXAMPLE_TEXT = "This is an example message.\n"
EXAMPLE_SIGNATURE = "Uw2QOkn8srV1yJGh2VYRlL1Tnagv1YEq6TfXppzi2ONncAlTgK7Ztg1ERYNZXsYjOBH3mFXmRKuwHjG1Yu72IneyaQM="
EXAMPLE = f"{EXAMPLE_TEXT}\n— example.com/foo {EXAMPLE_SIGNATURE}\n".encode()

# Go's package golang.org/x/mod/sumdb/note, the example in its documentation, whose private key is published as well.
PETER_SEED = base64.b64decode("AYEKFALVFGyNhPJEMzD1QIDr+Y7hfZx09iUvxdXHKDFz")[1:]
PETER_KEY = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW"
PETER_TEXT = "If you think cryptography is the answer to your problem,\nthen you don't know what your problem is.\n"
PETER_LINE = (
    "— PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM="
)

# The signature that C2SP tlog-checkpoint shows: sum.golang.org made it, over a tree head of its own with this root.
GO_KEY = "sum.golang.org+033de0ae+Ac4zctda0e5eza+HJyk9SxEdh+s3Ux18htTTAD8OuAn8"
GO_TEXT = "go.sum database tree\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"
GO_SIGNATURE = "Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8="

# C2SP tlog-cosignature, its example: the message shown there says "time 1679315147". Its key is not published.
W1_NAME = "witness.example.com/w1"
W1_SIGNATURE = (
    "jWbPPwAAAABkGFDLEZMHwSRaJNiIDoe9DYn/zXcrtPHeolMI5OWXEhZCB9dlrDJsX3b2oyin1nPZqhf5nNo0xUe+mbIUBkBIfZ+qnA=="
)

# A checkpoint that a public certificate log served in May 2026, and the keys that the log and its witnesses publish.
WITNESSED = Path(__file__).with_name("witnessed.note").read_bytes()
WITNESSED_KEYS = [
    "arche2025h1.staging.ct.transparency.dev+ba2f06c0+AU0vHmlGCS/PdN8b2OaGmKprLI8HKM+dJ472xgFYh15f",
    "transparency.dev/DEV:witness-little-garden+d8042a87+BCtusOxINQNUTN5Oj8HObRkh2yHf/MwYaGX4CPdiVEPM",
    "witness1.smartit.nu/witness1+a48c820f+BPSFWg9G6KPiO7QPryYO5Xq4oYJJ+kAvLKLSimDhoxMO",
    "remora.n621.de+da77ade7+BOvN63jn/bLvkieywe8R6UYAtVtNbZpXh34x7onlmtw2",
    "witness.stagemole.eu+67f7aea0+BEqSG3yu9YrmcM3BHvQYTxwFj3uSWakQepafafpUqklv",
]

# Characters of a key's name that trip a careless reader: a dash like the one that starts a line, a zero width space
# (which is no space), a slash, and one beyond U+FFFF.
names = st.text(st.sampled_from("aZ0./:-_—é\u200b😀"), min_size=1, max_size=12)
texts = st.text(st.characters(exclude_categories=["Cs"]).filter(lambda c: c == "\n" or c >= " "), max_size=60).map(
    lambda text: text + "\n"
)
seeds = st.binary(min_size=32, max_size=32)


def refused(reason):
    return pytest.raises(NoteError, check=lambda error: error.reason == reason)
