"""Frames over good and bad lines: published check values, three decoders that have to agree, and what must
never be taken for a frame."""

from __future__ import annotations

import os
import random
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cffi import FFI
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from reedproof import records, wire
from reedproof.sim import core
from reedproof.sim.core import ffi, lib
from strategies import ByteFault, board_frames, byte_faults, damaged, examples, random_faults, random_frame
from wire import pure

CORE = Path(__file__).resolve().parents[2] / "firmware" / "core"

# ---- CRC ----

#: The CRC catalogue's check value of CRC-16/GENIBUS, of the ASCII digits, and its residue.
CHECK_INPUT, CHECK, RESIDUE = b"123456789", 0xD64E, 0x1D0F


def c_register(data: bytes) -> int:
    crc = 0xFFFF
    for byte in data:
        crc = lib.crc16_update(crc, byte)
    return int(crc)


def c_crc(data: bytes) -> int:
    return int(lib.crc16_end(c_register(data)))


CRCS: dict[str, Callable[[bytes], int]] = {"crcmod": wire.crc16, "C": c_crc, "pure": pure.crc16}


@pytest.mark.parametrize("crc", CRCS.values(), ids=CRCS)
def test_crc_of_the_catalogue(crc: Callable[[bytes], int]) -> None:
    assert crc(CHECK_INPUT) == CHECK
    assert crc(b"") == 0


@examples(300)
@given(st.binary(max_size=300))
def test_crcs_agree(data: bytes) -> None:
    assert {crc(data) for crc in CRCS.values()} == {wire.crc16(data)}


@examples(100)
@given(st.binary(max_size=60))
def test_crc_residue(data: bytes) -> None:
    """What the register holds after any data and its CRC, high byte first as the catalogue has it."""
    assert c_register(data + wire.crc16(data).to_bytes(2, "big")) == RESIDUE


def test_a_trailing_zero_changes_the_crc() -> None:
    """Without the final XOR a good frame would stay good with zeros added."""
    for crc in CRCS.values():
        framed = CHECK_INPUT + crc(CHECK_INPUT).to_bytes(2, "little")
        longer = framed + b"\0"
        assert crc(longer[:-2]) != int.from_bytes(longer[-2:], "little")


# ---- COBS ----

ALL = bytes(range(256))

#: Decoded and encoded. The method: Cheshire & Baker, IEEE/ACM Transactions on Networking 7(2), 1999; that the
#: beginning of an IPv4 header is the example of their figure is from memory. What each comes to is checked
#: below with the `cobs` package.
VECTORS = [
    (b"", b"\x01"),
    (b"\0", b"\x01\x01"),
    (b"\0\0", b"\x01\x01\x01"),
    (bytes.fromhex("11220033"), bytes.fromhex("0311220233")),
    (bytes.fromhex("11000000"), bytes.fromhex("0211010101")),
    (bytes.fromhex("4500002C4C79000040064F37"), bytes.fromhex("024501042C4C79010540064F37")),
    (ALL[1:255], b"\xff" + ALL[1:255]),
    (ALL[0:255], b"\x01\xff" + ALL[1:255]),
    (ALL[1:256], b"\xff" + ALL[1:255] + b"\x02\xff"),
    (ALL[2:256] + b"\0", b"\xff" + ALL[2:256] + b"\x01\x01"),
    (ALL[3:256] + b"\0\1", b"\xfe" + ALL[3:256] + b"\x02\x01"),
]
ENCODER_MAX = 254  # cobs.h


@pytest.fixture(scope="module")
def c_cobs(tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, Any]:
    """cobs.c by itself: in the extension it is reached only through frames."""
    library = tmp_path_factory.mktemp("cobs") / "cobs.so"
    compiler = os.environ.get("CC", "cc")
    subprocess.run([compiler, "-std=c11", "-shared", "-fPIC", "-o", library, CORE / "cobs.c"], check=True)
    declared = FFI()
    declared.cdef(
        """
        void cobs_encode(uint8_t *, uint8_t);
        struct cobs_decoder { uint8_t left; bool zero; bool started; };
        void cobs_restart(struct cobs_decoder *);
        int cobs_take(struct cobs_decoder *, uint8_t, uint8_t *);
        bool cobs_is_complete(const struct cobs_decoder *);
        """
    )
    return declared, declared.dlopen(str(library))


class CCobs:
    def __init__(self, c_cobs: tuple[Any, Any]) -> None:
        self.ffi, self.lib = c_cobs

    def encode(self, data: bytes) -> bytes:
        out = self.ffi.new("uint8_t[]", b"\xee" + data)
        self.lib.cobs_encode(out, len(data) + 1)
        return bytes(self.ffi.buffer(out, len(data) + 1))

    def decode(self, data: bytes) -> bytes | None:
        """None where the decoder refuses."""
        decoder = self.ffi.new("struct cobs_decoder *")
        byte = self.ffi.new("uint8_t *")
        self.lib.cobs_restart(decoder)
        out = bytearray()
        for one in data:
            step = self.lib.cobs_take(decoder, one, byte)
            if step == 2:
                return None
            if step == 1:
                out.append(byte[0])
        return bytes(out) if self.lib.cobs_is_complete(decoder) else None


def unstuffed(data: bytes) -> bytes | None:
    try:
        return pure.unstuff(data)
    except pure.Refused:
        return None


def library_decoded(data: bytes) -> bytes | None:
    try:
        return bytes(cobs.decode(data)) if data else None  # the package takes nothing for nothing
    except cobs.DecodeError:
        return None


@pytest.mark.parametrize(("plain", "encoded"), VECTORS, ids=lambda value: f"{value[:12].hex()}({len(value)})")
def test_cobs_vectors(plain: bytes, encoded: bytes, c_cobs: tuple[Any, Any]) -> None:
    c = CCobs(c_cobs)
    assert bytes(cobs.encode(plain)) == encoded
    assert pure.stuff(plain) == encoded
    assert library_decoded(encoded) == unstuffed(encoded) == plain
    assert c.decode(encoded) == plain
    if len(plain) <= ENCODER_MAX:
        assert c.encode(plain) == encoded


STUFFABLE = st.one_of(
    st.binary(max_size=ENCODER_MAX),
    st.lists(st.sampled_from([0, 1, 2, 255]), max_size=ENCODER_MAX).map(bytes),
    st.integers(240, ENCODER_MAX).map(lambda length: b"\x07" * length),
)


def test_cobs_encoders_agree_and_come_back(c_cobs: tuple[Any, Any]) -> None:
    c = CCobs(c_cobs)

    @examples(300)
    @given(STUFFABLE)
    def check(data: bytes) -> None:
        encoded = bytes(cobs.encode(data))
        assert c.encode(data) == pure.stuff(data) == encoded
        assert 0 not in encoded
        assert len(data) + 1 <= len(encoded) <= len(data) + max(1, -(-len(data) // 254))
        assert c.decode(encoded) == unstuffed(encoded) == data

    check()


def test_cobs_decoders_refuse_the_same(c_cobs: tuple[Any, Any]) -> None:
    c = CCobs(c_cobs)

    @examples(600)
    @given(st.one_of(st.binary(max_size=40), st.lists(st.integers(0, 5), max_size=20).map(bytes)))
    def check(data: bytes) -> None:
        assert c.decode(data) == unstuffed(data) == library_decoded(data)

    check()


# ---- frames ----


def encoded(frame: pure.Plain) -> bytes:
    return wire.encode_frame(frame.type, frame.sequence, frame.payload)


def c_encoded(frame: pure.Plain) -> bytes:
    out = ffi.new("uint8_t[]", 256)
    at = lib.frame_begin(out, frame.type, frame.sequence)
    for byte in frame.payload:
        at = lib.frame_u8(at, byte)
    return bytes(ffi.buffer(out, lib.frame_end(out, at)))


def c_decoded(stream: bytes) -> tuple[list[pure.Plain], int]:
    frames, refused = core.decode(stream)
    plain = [
        pure.Plain(int(row["type"]), int(row["sequence"]), row["payload"].tobytes()[: row["length"]])
        for row in frames
    ]
    return plain, refused


def library_read(stream: bytes, piece_bytes: int = 0) -> tuple[list[records.Message], int]:
    decoder = wire.Decoder()
    found = []
    for at in range(0, len(stream), piece_bytes or len(stream) or 1):
        found += decoder.feed(stream[at : at + (piece_bytes or len(stream))])
    assert decoder.good == len(found)
    return found, decoder.refused


def typed(messages: list[records.Message]) -> list[tuple[type, records.Message]]:
    """Named tuples of different types are equal when their values are."""
    return [(type(message), message) for message in messages]


def check_decoders_agree(stream: bytes, hint: str = "") -> tuple[list[pure.Plain], int]:
    found, refused = pure.decode(stream)
    assert c_decoded(stream) == (found, refused), hint
    messages, library_refused = library_read(stream)
    assert library_refused == refused, hint
    assert typed(messages) == typed([wire.read_message(plain) for plain in found]), hint
    return found, refused


@examples(300)
@given(board_frames())
def test_encoders_agree(frame: pure.Plain) -> None:
    assert encoded(frame) == c_encoded(frame) == pure.frame(*frame)


@examples(200)
@given(st.lists(board_frames(), max_size=5))
def test_a_good_line_loses_nothing(frames: list[pure.Plain]) -> None:
    stream = b"".join(map(encoded, frames))
    found, refused = check_decoders_agree(stream)
    assert found == frames
    assert refused == 0


def test_lone_delimiters_are_skipped() -> None:
    frame = encoded(pure.Plain(0x0C, 1, b"\1\2\3"))
    found, refused = check_decoders_agree(b"\0\0\0" + frame + b"\0\0" + frame + b"\0")
    assert (len(found), refused) == (2, 0)


@examples(200)
@given(st.lists(board_frames(), min_size=1, max_size=6), byte_faults())
def test_decoders_agree_on_a_bad_line(frames: list[pure.Plain], faults: list[ByteFault]) -> None:
    check_decoders_agree(damaged(b"".join(map(encoded, frames)), faults))


def bad_stream(seed: int, frames: int, faults: int) -> tuple[list[pure.Plain], bytes]:
    chance = random.Random(seed)
    sent = [random_frame(chance) for _ in range(frames)]
    return sent, damaged(b"".join(map(encoded, sent)), random_faults(chance, faults))


@pytest.mark.parametrize("seed", range(20))
def test_decoders_agree_on_a_very_bad_line(seed: int) -> None:
    """300 frames, 200 faults. And what is accepted was sent."""
    sent, stream = bad_stream(seed, 300, 200)
    found, refused = check_decoders_agree(stream, f"seed {seed}")
    assert refused > 50, f"seed {seed} harmed too little"
    assert len(found) > 50, f"seed {seed} harmed too much"
    assert set(found) <= set(sent), f"seed {seed}"


@pytest.mark.parametrize("seed", range(3))
def test_pieces_of_every_size_decode_alike(seed: int) -> None:
    _, stream = bad_stream(seed, 40, 25)
    whole = library_read(stream)
    assert len(whole[0]) > 5
    for piece_bytes in range(1, len(stream)):
        assert library_read(stream, piece_bytes) == whole, f"seed {seed}, pieces of {piece_bytes}"


def test_a_line_without_delimiters_does_not_fill_the_memory() -> None:
    decoder = wire.Decoder()
    for _ in range(1000):
        assert decoder.feed(b"\x55" * 1000) == []
    assert len(decoder._tail) < 100
    frame = pure.Plain(0x0C, 1, b"\1\2\3")
    assert decoder.feed(b"\0" + encoded(frame)) == [records.Reply(1, 2, 3)]
    assert decoder.bad == {"too long": 1}  # and not taken for what its beginning may look like


def flips_of(frame: bytes) -> Iterator[bytes]:
    """The frame with each of its bits flipped in turn, that of the delimiter included."""
    for bit in range(8 * len(frame)):
        flipped = bytearray(frame)
        flipped[bit // 8] ^= 1 << bit % 8
        yield bytes(flipped)


def all_flips(frame: bytes) -> bytes:
    """All of them in a row, each closed by a delimiter of its own; as above, but a thousand times faster."""
    bits = np.arange(8 * len(frame))
    rows = np.tile(np.frombuffer(frame + b"\0", dtype=np.uint8), (len(bits), 1))
    rows[bits, bits // 8] ^= (1 << bits % 8).astype(np.uint8)
    return rows.tobytes()


def test_all_flips_are_the_flips() -> None:
    frame = encoded(pure.Plain(0x0C, 1, b"\1\0\3"))
    assert all_flips(frame) == b"".join(flipped + b"\0" for flipped in flips_of(frame))


FLIPPED_FRAMES = 6000


def test_no_single_flip_goes_unnoticed() -> None:
    """6000 frames, a million flips. COBS voids what the CRC promises for single flips, so this is measured
    and not proven; protocol.md, section 2, says what was measured when the protocol was chosen."""
    chance = random.Random(2)
    flips = 0
    for index in range(FLIPPED_FRAMES):
        frame = encoded(random_frame(chance))
        frames, refused = core.decode(all_flips(frame))
        assert len(frames) == 0, f"frame {index} of seed 2, {frame.hex()}: {frames}"
        assert refused >= 8 * len(frame) - 8
        flips += 8 * len(frame)
    assert flips > 1_000_000


def test_no_single_flip_goes_unnoticed_by_the_others() -> None:
    chance = random.Random(3)
    for _ in range(60):
        frame = encoded(random_frame(chance))
        for flipped in flips_of(frame):
            assert pure.decode(flipped + b"\0")[0] == []
            assert library_read(flipped + b"\0")[0] == []


@pytest.mark.parametrize("seed", range(3))
def test_cut_frames_are_refused(seed: int) -> None:
    """At either end, by every number of bytes."""
    chance = random.Random(seed)
    for _ in range(40):
        frame = encoded(random_frame(chance))
        for at in range(1, len(frame) - 1):
            assert check_decoders_agree(frame[:at] + b"\0", f"seed {seed}") == ([], 1)
            found, _ = check_decoders_agree(frame[at:], f"seed {seed}")
            assert found == []


def test_bytes_outstanding_at_the_delimiter() -> None:
    """Everything is there and the CRC is right, but the last block says that more was to come."""
    frame = pure.Plain(0x0C, 7, b"\x11\x22\x33")  # CRC without zero
    good = encoded(frame)
    assert good[0] == len(good) - 1, "one block"
    for more in (1, 2, 100):
        assert check_decoders_agree(bytes([good[0] + more]) + good[1:]) == ([], 1)
    # The code for 254 bytes without a zero after them, too.
    assert check_decoders_agree(b"\xff" + good[1:]) == ([], 1)


@pytest.mark.parametrize(
    "body", [b"", b"\0", b"\x0c", b"\0\0", b"\x0c" + wire.crc16(b"\x0c").to_bytes(2, "little")]
)
def test_a_body_that_is_too_short(body: bytes) -> None:
    """The last two have the right CRC, of nothing and of a type alone."""
    stuffed = bytes(cobs.encode(body))
    with pytest.raises(wire.WireError, match="too short"):
        wire.decode_frame(stuffed)
    assert c_frames(stuffed + b"\0", 62) == ([], 1)
    assert check_decoders_agree(stuffed + b"\0") == ([], 1)


def raw(type_: int, payload: bytes) -> bytes:
    """A frame of any length."""
    return pure.frame(type_, 1, payload)


def c_frames(stream: bytes, room: int) -> tuple[list[tuple[int, bytes]], int]:
    reader = ffi.new("struct frame_reader *")
    body = ffi.new("uint8_t[]", 300)
    ffi.memmove(body, b"\xee" * 300, 300)
    lib.frame_reader_init(reader, body, room)
    frame = ffi.new("struct frame *")
    found = [
        (frame.type, bytes(ffi.buffer(frame.payload, frame.length)))
        for byte in stream
        if lib.frame_take(reader, byte, frame)
    ]
    assert bytes(body)[room:] == b"\xee" * (300 - room), "written past its room"
    return found, reader.bad


@pytest.mark.parametrize("length", [57, 58, 59, 60, 100, 250, 251, 252, 600])
def test_overlong_frames(length: int) -> None:
    frame = raw(0x66, b"\x05" * length)
    fits = length <= 58  # 64 bytes in all
    assert (len(frame) <= wire.FRAME_MAX) == fits
    if fits:
        assert wire.decode_frame(frame[:-1]) == (0x66, 1, b"\x05" * length)
        assert encoded(pure.Plain(0x66, 1, b"\x05" * length)) == frame
    else:
        with pytest.raises(wire.WireError, match="too long"):
            wire.decode_frame(frame[:-1])
        with pytest.raises(ValueError, match="longer than 64"):
            encoded(pure.Plain(0x66, 1, b"\x05" * length))
    assert c_frames(frame, 62) == ([(0x66, b"\x05" * length)] if fits else [], not fits)
    follower = raw(0x0C, b"\1\2\3")
    found, refused = check_decoders_agree(frame + follower)
    assert ([plain.type for plain in found], refused) == ([0x0C], 1)


@pytest.mark.parametrize("length", range(8, 15))
def test_a_reader_with_little_room(length: int) -> None:
    """A board takes bodies of 15 bytes, its longest command."""
    found, refused = c_frames(raw(0x45, bytes(length)) + raw(0x4A, b""), 15)
    expected = [(0x45, bytes(length))] if length <= 11 else []
    assert found == [*expected, (0x4A, b"")]
    assert refused == (length > 11)


def test_a_good_body_with_more_after_it_is_refused() -> None:
    """Bytes that met a full reader are missed, even where what did fit looks good."""
    body = pure.unstuff(raw(0x45, bytes(range(11)))[:-1])
    assert len(body) == 15
    for more in (b"\0", b"\1", b"\0\1\2"):
        assert c_frames(pure.stuff(body + more) + b"\0", 15) == ([], 1)


def test_frames_without_zeros_up_to_the_full_block() -> None:
    """Room for more than a frame: blocks of 254 bytes, which a receiver of 64 never meets."""
    for length in (249, 250, 251):
        found, refused = c_frames(raw(0x66, b"\x05" * length), 255)
        assert ([len(payload) for _, payload in found], refused) == ([length], 0)


def test_garbage_before_the_first_delimiter() -> None:
    frame = raw(0x0C, b"\1\2\3")
    for garbage in (b"\xff" * 5, b"\1", frame[3:-1], b"\x55" * 200):
        assert check_decoders_agree(garbage + b"\0" + frame) == ([pure.Plain(0x0C, 1, b"\1\2\3")], 1)
        # Without a delimiter the frame is spoiled, and only that one.
        assert check_decoders_agree(garbage + frame + frame) == ([pure.Plain(0x0C, 1, b"\1\2\3")], 1)


@pytest.mark.parametrize("type_", [0x00, 0x0D, 0x3F, 0x40, 0x4B, 0xFF])
def test_unknown_types_are_refused(type_: int) -> None:
    assert check_decoders_agree(raw(type_, b"\1\2\3")) == ([], 1)


def test_wrong_lengths_are_refused() -> None:
    for type_ in range(0x01, 0x0D):
        for length in range(59):
            payload = b"\1" + b"\x02" * (length - 1) if length else b""  # a hello of this version
            found, _ = check_decoders_agree(raw(type_, payload))
            assert bool(found) == pure.has_its_length(pure.Plain(type_, 1, payload))


def test_the_count_of_refused_frames_wraps_without_losing_any() -> None:
    """The board counts in 16 bits, the host in bulk decodes hours."""
    found, refused = core.decode(b"\1\0" * 70_000 + raw(0x0C, b"\1\2\3"))
    assert (len(found), refused) == (1, 70_000)


# ---- what only the host's decoder says ----


def test_says_which_rule_was_broken() -> None:
    decoder = wire.Decoder()
    good = raw(0x0C, b"\1\2\3")
    decoder.feed(good[:-2] + b"\0")
    decoder.feed(b"\2\1\0")
    decoder.feed(raw(0x66, b"\5" * 90))
    decoder.feed(raw(0x66, b""))
    decoder.feed(raw(0x0C, b""))
    decoder.feed(good[:2] + bytes([good[2] ^ 2]) + good[3:])
    assert decoder.bad == {
        "stuffing": 1, "too short": 1, "too long": 1, "unknown type": 1, "length": 1, "checksum": 1,
    }  # fmt: skip


def test_missed_frames_are_counted_by_their_sequence() -> None:
    decoder = wire.Decoder()
    for sequence in (250, 251, 254, 2):
        decoder.feed(pure.frame(0x0C, sequence, b"\1\2\3"))
    assert decoder.missed == 2 + 3


def test_a_hello_starts_the_sequence_anew() -> None:
    decoder = wire.Decoder()
    decoder.feed(pure.frame(0x0C, 100, b"\1\2\3"))
    decoder.feed(pure.frame(0x01, 0, b"\1" + bytes(34)))
    decoder.feed(pure.frame(0x0C, 1, b"\1\2\3"))
    assert decoder.missed == 0


@pytest.mark.parametrize("length", [14, 30, 35, 50])
def test_a_hello_of_another_version_is_only_recognised(length: int) -> None:
    head = bytes.fromhex("02 01000000 03 04000000 05000000")
    assert len(head) == 14
    frame = pure.Plain(0x01, 0, head + bytes(length - 14))
    assert wire.read_message(frame) == records.OtherVersion(2, 1, 3, 4, 5)


def test_a_hello_of_this_version_but_another_length_is_refused() -> None:
    for length in (13, 14, 34, 36):
        with pytest.raises(wire.WireError, match="length"):
            wire.read_message(pure.Plain(0x01, 0, (b"\1" + bytes(60))[:length]))
