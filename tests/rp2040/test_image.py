"""The file that is copied to the board's drive: its format, and its loader's seal."""

from __future__ import annotations

import json
import re
import subprocess

import crcmod
import pytest
from emulator import tools
from pico_board import built

from reedproof import uf2

FLASH_AT = 0x10000000

# Prints what npm's reader of UF2 makes of a file.
READER = """
const { decodeBlock } = require('uf2');
const file = require('fs').readFileSync(process.argv[1]);
const blocks = [];
for (let at = 0; at < file.length; at += 512) {
  const block = decodeBlock(new Uint8Array(file.subarray(at, at + 512)));
  blocks.push({ ...block, payload: Buffer.from(block.payload).toString('hex') });
}
console.log(JSON.stringify(blocks));
"""


def test_another_reader_finds_what_was_packed() -> None:
    done = subprocess.run(
        ["node", "-e", READER, str(built())], cwd=tools(), capture_output=True, text=True, check=True
    )
    blocks = json.loads(done.stdout)
    start, data = uf2.decode(built().read_bytes())
    assert start == FLASH_AT
    assert b"".join(bytes.fromhex(block["payload"]) for block in blocks) == data
    assert [block["flashAddress"] for block in blocks] == [start + 256 * n for n in range(len(blocks))]
    assert {(block["boardFamily"], block["totalBlocks"]) for block in blocks} == {(0xE48BFF56, len(blocks))}
    assert [block["blockNumber"] for block in blocks] == list(range(len(blocks)))


def test_packed_and_unpacked_again() -> None:
    for length in (1, 255, 256, 257, 5000):
        data = bytes(i * 7 & 0xFF for i in range(length))
        start, found = uf2.decode(uf2.encode(data, 0x10004000))
        assert start == 0x10004000
        assert found[:length] == data
        assert not any(found[length:])


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda file: file[:-1], "1023 bytes are not a whole number"),
        (lambda _: b"", "0 bytes are not"),
        (lambda file: file[:508] + b"\0" + file[509:], "block 0 is damaged"),
        (lambda file: file[:28] + b"\x57" + file[29:], "block 0 is for another chip"),
        (lambda file: file[:512], "block 0 says it is 0 of 2"),
        (lambda file: file[512:] + file[:512], "block 0 says it is 1 of 2"),
        (lambda file: file[:524] + b"\0\x02" + file[526:], "block 1 goes to"),
    ],
)
def test_a_damaged_file_is_refused(change, says: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(uf2.Uf2Error, match=re.escape(says)):
        uf2.decode(change(uf2.encode(bytes(512), FLASH_AT)))


def test_the_loader_is_sealed_as_the_boot_rom_wants_it() -> None:
    """CRC-32/MPEG-2 is what the RP2040 datasheet describes in 2.8.1.3.1; the parameters here are crcmod's."""
    _, data = uf2.decode(built().read_bytes())
    crc = crcmod.mkCrcFun(0x104C11DB7, initCrc=0xFFFFFFFF, rev=False, xorOut=0)
    assert crc(b"123456789") == 0x0376E6E7  # of the catalogue of CRC algorithms (from memory)
    assert int.from_bytes(data[252:256], "little") == crc(data[:252])


def test_the_image_leaves_the_settings_alone() -> None:
    """They are in the last two of 512 sectors of 4096 bytes."""
    start, data = uf2.decode(built().read_bytes())
    assert start + len(data) <= FLASH_AT + 510 * 4096
