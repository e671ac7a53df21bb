"""Cases that broke a node, kept for ever: one small text file each.

A folder of them can be shared, put under version control, read and mailed.  The next
campaign replays them first; those that no longer fail are moved into a folder within,
and not lost.

    text     the file: what stands in it, and how it is read again
    folder   all files of a corpus, and how one more is kept
"""

from __future__ import annotations

from bench.fuzz.corpus.folder import Corpus, Opened
from bench.fuzz.corpus.text import Kept, case_text, kept_of

__all__ = ["Corpus", "Kept", "Opened", "case_text", "kept_of"]
