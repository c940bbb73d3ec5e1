"""The spellings that all text formats of the log share: base64, whole numbers, and the characters a note may hold.

Each value has one spelling and every other is refused. So what was read and what would be written from it are the same
bytes, and nobody can hand on a second document that means the same and hashes differently.
"""

import re
from base64 import b64encode
from binascii import a2b_base64
from typing import Final

MAX_NUMBER: Final = 2**63 - 1
"""The largest size, index or time: what fits a signed 64-bit integer, the most that common readers hold."""

_NUMBER: Final = re.compile(r"0|[1-9][0-9]{0,18}")

_CONTROL: Final = re.compile(r"[\x00-\x09\x0b-\x1f]")


def base64_text(data: bytes) -> str:
    """Standard base64 with padding. Source: RFC 4648 section 4."""
    return b64encode(data).decode("ascii")


def base64_bytes(text: str) -> bytes:
    """The bytes that have this base64 text.

    Raises:
        ValueError: not base64 with its padding, or with bits set in the part of the last character that carries none.
            A lenient reader would take sixteen spellings of one signature for the same (RFC 4648 section 3.5).
    """
    data = a2b_base64(text, strict_mode=True)
    if base64_text(data) != text:
        raise ValueError("base64 with stray bits at its end")
    return data


def whole_number(text: str) -> int:
    """The number that has these ASCII digits, without sign, spaces or leading zeroes.

    Raises:
        ValueError: it is not written so, or is greater than `MAX_NUMBER`.
    """
    if not _NUMBER.fullmatch(text) or (number := int(text)) > MAX_NUMBER:
        raise ValueError(f"not a whole number from 0 to {MAX_NUMBER}: {text[:24]!r}")
    return number


def has_control(text: str) -> bool:
    """Whether the text holds an ASCII control character other than the line feed. Source: C2SP signed-note."""
    return _CONTROL.search(text) is not None
