"""Files held against what they were when the run was planned."""

import hashlib
import io

import pytest

from lanewright.base.errors import InputError
from lanewright.sources.files import BLOCK, CheckedFile, checksum, fingerprint

DATA = bytes(range(256)) * (BLOCK // 100)  # some blocks and a part of one


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "a.bin"
    path.write_bytes(DATA)
    return path


def test_checksum_is_blake2b_of_the_content(path):
    assert checksum(path) == hashlib.blake2b(DATA, digest_size=16).hexdigest()
    assert fingerprint(path).size == len(DATA)


@pytest.mark.parametrize("at", [0, 1, BLOCK - 1, BLOCK, 2 * BLOCK + 7, len(DATA) - 1, len(DATA)])
def test_reads_are_those_of_a_plain_file(path, at):
    with io.BufferedReader(CheckedFile(path, fingerprint(path))) as file:
        for count in (1, 10, BLOCK + 3):
            file.seek(at)
            assert file.read(count) == DATA[at : at + count]
        assert file.seek(0, io.SEEK_END) == len(DATA)


def test_a_changed_byte_is_noticed_where_it_is_read_and_only_there(path):
    content = fingerprint(path)
    raw = bytearray(DATA)
    raw[BLOCK + 5] ^= 1
    path.write_bytes(raw)
    with CheckedFile(path, content) as file:
        assert file.read(100) == DATA[:100]
        assert not file.changed
        file.seek(BLOCK)
        with pytest.raises(InputError, match="changed while"):
            file.read(1)
        assert file.changed


@pytest.mark.parametrize("now", [DATA[:-1], DATA + b"x", b""])
def test_a_longer_or_shorter_file_is_noticed(path, now):
    content = fingerprint(path)
    path.write_bytes(now)
    with (
        io.BufferedReader(CheckedFile(path, content)) as file,
        pytest.raises(InputError, match="changed while"),
    ):
        file.read()


def test_swapped_and_put_back_before_the_end(path):
    """The bytes handed out count, not what stands there afterwards."""
    content = fingerprint(path)
    with CheckedFile(path, content) as file:
        path.write_bytes(b"\0" * len(DATA))
        with pytest.raises(InputError, match="changed while"):
            file.read(10)
        path.write_bytes(DATA)
        assert file.read(10) == DATA[:10]
