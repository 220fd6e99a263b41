"""Codes on papers: typed ones find their typing errors, signed ones cannot be forged.

Ed25519 is held against the first test vector of RFC 8032, section 7.1 (from memory); the base-32
form against RFC 4648, section 6.
"""

from __future__ import annotations

import base64
import datetime

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given
from hypothesis import strategies as st

from fleet.paper_codes import (
    ALPHABET,
    LENGTH,
    ForgedCodeError,
    MistypedCodeError,
    Statement,
    grouped,
    new_code,
    sign,
    typed,
    verify,
)

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
OTHER = Ed25519PrivateKey.from_private_bytes(bytes(range(1, 33)))
STATEMENT = Statement(
    "TR", 2026, 12, "0123456789A2", datetime.date(2028, 2, 29), bytes.fromhex("0f" * 16)
)

bodies = st.text(ALPHABET, min_size=LENGTH - 1, max_size=LENGTH - 1)


def whole(body: str) -> str:
    """The one code that begins so."""
    [code] = [body + last for last in ALPHABET if _reads(body + last)]
    return code


def _reads(code: str) -> bool:
    try:
        return typed(code) == code
    except MistypedCodeError:
        return False


def test_the_signature_is_ed25519():
    seed = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
    public = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
    key = Ed25519PrivateKey.from_private_bytes(seed)
    assert key.public_key().public_bytes_raw().hex() == public
    assert key.sign(b"").hex().startswith("e5564300c360ac729086e2cc806e828a")


@given(bodies, st.integers(0, LENGTH - 1), st.sampled_from(ALPHABET))
def test_every_single_mistake_is_found(body: str, place: int, other: str):
    code = whole(body)
    wrong = code[:place] + other + code[place + 1 :]
    if wrong == code:
        assert typed(wrong) == code
    else:
        with pytest.raises(MistypedCodeError, match="mistaken"):
            typed(wrong)


def test_new_codes_read_as_they_are_printed():
    codes = {new_code() for _ in range(500)}
    assert len(codes) == 500
    for code in codes:
        assert typed(grouped(code).lower()) == code
        assert typed(f"  {grouped(code)} ") == code
        assert not set(code) & set("ILOU")
    one = next(code for code in codes if "0" in code or "1" in code)
    assert typed(one.replace("0", "O").replace("1", "l")) == one


@pytest.mark.parametrize("text", ["", "ABCD", "ABCD-EFGH-JKM", "ABCD-EFGH-JKMNP", "ÄBCD-EFGH-JKMN"])
def test_what_cannot_be_a_code_is_said(text: str):
    with pytest.raises(MistypedCodeError, match="twelve letters and digits"):
        typed(text)


def test_a_signed_code_says_what_was_signed_and_fits_a_square():
    signed = sign(STATEMENT, KEY)
    assert verify(signed, [OTHER.public_key(), KEY.public_key()]) == STATEMENT
    assert verify(signed.lower(), [KEY.public_key()]).name == "TR-2026-00012"
    assert set(signed) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZ234567")
    assert len(signed) <= 200  # as the column has it


@pytest.mark.parametrize("until", [None, datetime.date(2000, 1, 2), datetime.date(2179, 6, 6)])
def test_dates_that_fit(until: datetime.date | None):
    one = Statement("CT", 2099, 99_999, STATEMENT.code, until, STATEMENT.record_digest)
    assert verify(sign(one, KEY), [KEY.public_key()]) == one


@pytest.mark.parametrize("until", [datetime.date(1999, 12, 31), datetime.date(2179, 6, 8)])
def test_dates_that_do_not_fit_are_refused(until: datetime.date):
    one = Statement("CT", 2026, 1, STATEMENT.code, until, STATEMENT.record_digest)
    with pytest.raises(ValueError, match="cannot be written"):
        sign(one, KEY)


@given(st.integers(0, 102), st.integers(1, 255))
def test_no_bit_can_be_changed(place: int, flip: int):
    signed = sign(STATEMENT, KEY)
    raw = bytearray(base64.b32decode(signed + "=" * (-len(signed) % 8)))
    raw[place % len(raw)] ^= flip
    forged = base64.b32encode(bytes(raw)).decode().rstrip("=")
    with pytest.raises(ForgedCodeError):
        verify(forged, [KEY.public_key()])


@pytest.mark.parametrize("signed", ["", "A", "NOT BASE 32!", "AAAA" * 40, "7" * 165])
def test_rubbish_is_no_signed_code(signed: str):
    with pytest.raises(ForgedCodeError):
        verify(signed, [KEY.public_key()])


def test_a_stranger_cannot_sign():
    with pytest.raises(ForgedCodeError, match="No key of this service"):
        verify(sign(STATEMENT, OTHER), [KEY.public_key()])
