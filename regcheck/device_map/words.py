"""What an error message says about words: the nearest known one, or all of them."""

from __future__ import annotations

from collections.abc import Iterable


def edit_distance(one: str, other: str) -> int:
    """Return the least number of insertions, deletions, replacements and swaps of neighbours between two words.

    Optimal string alignment (from memory of Damerau 1964 and Levenshtein 1966).
    """
    before: list[int] = []
    above = list(range(len(other) + 1))
    for i, a in enumerate(one, 1):
        row = [i]
        for j, b in enumerate(other, 1):
            cost = min(above[j] + 1, row[j - 1] + 1, above[j - 1] + (a != b))
            if i > 1 and j > 1 and a == other[j - 2] and one[i - 2] == b:
                cost = min(cost, before[j - 2] + 1)
            row.append(cost)
        before, above = above, row
    return above[-1]


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word that ``word`` may be a slip of, None where none is near.

    At most a third of its letters differ (at least one may). Case, and the difference between ``-``, ``_`` and a space, count only to break
    a tie; of equals the first one wins.
    """
    plain = word.casefold().replace("-", "_").replace(" ", "_")
    best: tuple[int, int] | None = None
    found = None
    for candidate in known:
        if abs(len(candidate) - len(word)) > max(1, len(word) // 3):
            continue
        distance = (edit_distance(plain, candidate.casefold().replace("-", "_").replace(" ", "_")), edit_distance(word, candidate))
        if distance[0] <= max(1, len(word) // 3) and distance[0] < len(word) and (best is None or distance < best):
            best, found = distance, candidate
    return found


def known_list(words: Iterable[str], limit: int = 12) -> str:
    """Return words in one line, such as ``a, b or c``; after ``limit`` of them only how many more there are."""
    listed = list(words)
    if len(listed) > limit:
        return ", ".join(listed[:limit]) + f" and {len(listed) - limit} more"
    return " or ".join([", ".join(listed[:-1]), listed[-1]]) if len(listed) > 1 else "".join(listed)
