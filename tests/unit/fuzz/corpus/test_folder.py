"""A corpus: what cannot be used is told and left; what no longer fails is moved."""

from __future__ import annotations

import errno
from dataclasses import replace
from zlib import crc32

import pytest

from bench.base.errors import UsageError
from bench.fuzz.corpus import Corpus, Kept, case_text
from bench.ledger.files import Disk

KEPT = Kept(
    profile="causeway",
    digest="0f" * 16,
    seed=7,
    number=1234,
    before=1,
    around="after fill",
    rows=(("length-zero", 2, 0),),
    attack="length-zero",
    oracle="alive",
)


class Full(Disk):
    """A disk without room."""

    def create(self, path):
        """See `Disk`."""
        del path
        raise OSError(errno.ENOSPC, "No space left on device")


@pytest.fixture
def corpus(tmp_path):
    """A corpus without a folder yet."""
    return Corpus(tmp_path / "corpus")


def test_kept_and_opened(corpus):
    """What is kept is there, the smallest first; nothing else is in the folder."""
    large = replace(KEPT, number=9, rows=KEPT.rows * 2)
    paths = [corpus.keep(large), corpus.keep(KEPT)]
    opened = corpus.open(KEPT.digest)
    assert opened.cases == ((paths[1], KEPT), (paths[0], large))
    assert opened.faults == ()
    assert sorted(corpus.folder.iterdir()) == sorted(paths)


def test_kept_twice_is_there_once(corpus):
    """A case that is found again takes the place of itself."""
    assert corpus.keep(KEPT) == corpus.keep(KEPT)
    assert len(corpus.open().cases) == 1


def test_no_folder_is_an_empty_corpus(corpus):
    """Nothing is made by looking."""
    assert corpus.open().cases == ()
    assert not corpus.folder.exists()


def test_a_file_in_place_of_the_folder(corpus):
    """It is told in one line."""
    corpus.folder.write_text("")
    with pytest.raises(UsageError, match="corpus cannot be read: not a folder"):
        corpus.open()


def test_what_cannot_be_used_is_told_and_left(corpus):
    """A line for each of a damaged one, a newer one, and one of another profile."""
    corpus.keep(KEPT)
    octets = case_text(KEPT)
    body = b"nightbench case 2\nmore\n"
    strange = {
        "a.case": octets[:-20],
        "b.case": body + b"check %08x\n" % crc32(body),
        "c.case": case_text(replace(KEPT, digest="ab" * 16)),
        "d.case": b"",
        "notes.txt": b"anything",
    }
    for name, content in strange.items():
        (corpus.folder / name).write_bytes(content)
    opened = corpus.open(KEPT.digest)
    assert [kept for _, kept in opened.cases] == [KEPT]
    assert [fault.what for fault in opened.faults] == [
        "damaged case",
        "case of a newer version",
        "case of another profile",
        "not the file of a case",
    ]
    for name, content in strange.items():
        assert (corpus.folder / name).read_bytes() == content


def test_a_mended_case_is_moved_and_comes_back(corpus):
    """It is not lost, and is not replayed; found again, it is in one place only."""
    there = corpus.mend(corpus.keep(KEPT))
    assert there.read_bytes() == case_text(KEPT)
    assert corpus.open().cases == ()
    path = corpus.keep(KEPT)
    assert path.exists()
    assert not there.exists()


def test_a_full_disk(tmp_path):
    """One line, and what was there before is whole."""
    folder = tmp_path / "corpus"
    kept = Corpus(folder).keep(KEPT)
    before = kept.read_bytes()
    with pytest.raises(UsageError) as caught:
        Corpus(folder, Full()).keep(replace(KEPT, rate=KEPT.rate + KEPT.rate))
    assert str(caught.value) == f"case not kept: no space left on device @ {folder}"
    assert kept.read_bytes() == before
    assert list(folder.iterdir()) == [kept]
