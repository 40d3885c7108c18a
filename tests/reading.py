"""How easy English text reads: the Flesch-Kincaid grade, in years of school in the United States.

grade = 0.39 words / sentences + 11.8 syllables / words - 15.59

References
----------
.. [1] J. P. Kincaid, R. P. Fishburne, R. L. Rogers, B. S. Chissom, "Derivation of new readability formulas for Navy
   enlisted personnel", Research Branch Report 8-75, Naval Technical Training Command, 1975 (coefficients from memory).
"""

from __future__ import annotations

import re

_ABBREVIATIONS = {"db": 3, "h": 1}  # read as words: decibel, hour


def words_of(text: str) -> list[str]:
    """Words; numbers count as words of one syllable for each digit."""
    return re.findall(r"[A-Za-z]+(?:['’-][A-Za-z]+)*|\d+(?:[.,]\d+)*", text)


def sentences_of(text: str) -> list[str]:
    """Sentences end in a full stop, question mark, exclamation mark or a line end."""
    return [s for s in re.split(r"[.!?]+(?:\s|$)|\n+", text) if words_of(s)]


def syllables(word: str) -> int:
    """Groups of vowels, without silent endings: a count by rule, wrong for a few words.

    >>> [syllables(w) for w in ("cat", "rail", "noise", "decibel", "computer", "people", "wanted", "closed", "wheels")]
    [1, 1, 1, 3, 3, 2, 2, 1, 1]
    """
    low = word.lower()
    if low in _ABBREVIATIONS:
        return _ABBREVIATIONS[low]
    if low[0].isdigit():
        return sum(c.isdigit() for c in low)
    total = 0
    for part in re.split(r"['’-]", low):
        n = len(re.findall(r"[aeiouy]+", part))
        silent_es = re.search(r"[^aeiouy]es$", part) and not re.search(r"(?:[sxz]|ch|sh|[cg])es$", part)
        silent = silent_es or re.search(r"[^aeioutd]ed$", part) or re.search(r"[^aeiouyl]e$", part)
        total += max(n - bool(silent), 1)
    return total


def grade(text: str) -> float:
    """The Flesch-Kincaid grade of a text."""
    words, sentences = words_of(text), sentences_of(text)
    return 0.39 * len(words) / len(sentences) + 11.8 * sum(map(syllables, words)) / len(words) - 15.59
