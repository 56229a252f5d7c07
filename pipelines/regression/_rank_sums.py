"""Sums over those that come later in one order and lower in another: what concordance is made of."""

from __future__ import annotations

import numpy as np

from .spells import Floats, Ints


class RankSums:
    """Weights of n items in a fixed order, each with a rank, to be summed below a rank from any place on.

    A wavelet matrix: the items are split by the bits of their rank, the highest first, and every question is carried
    through the splits together. n log n, where comparing all pairs takes n squared.
    Source: Claude, Navarro & Ordonez 2015, Information Systems 47:15-32.
    """

    def __init__(self, rank: Ints, weight: Floats) -> None:
        self._bits = max(int(rank.max(initial=0)).bit_length(), 1)
        self._levels: list[tuple[Ints, Floats]] = []
        for bit in reversed(range(self._bits)):
            high = (rank >> bit & 1).astype(bool)
            lows = np.concatenate([[0], np.cumsum(~high)])
            order = np.concatenate([np.flatnonzero(~high), np.flatnonzero(high)])
            rank, weight = rank[order], weight[order]
            self._levels.append((lows, np.concatenate([[0.0], np.cumsum(weight)])))

    def below_and_equal(self, first: Ints, end: Ints, rank: Ints) -> tuple[Floats, Floats]:
        """For each question: weight of the items from place `first` up to `end` of lower, and of the same rank."""
        first, end = first.copy(), end.copy()
        below = np.zeros(len(rank))
        for bit, (lows, running) in zip(reversed(range(self._bits)), self._levels, strict=True):
            high = (rank >> bit & 1).astype(bool)
            low_first, low_end = lows[first], lows[end]
            below[high] += (running[low_end] - running[low_first])[high]
            first = np.where(high, lows[-1] + first - low_first, low_first)
            end = np.where(high, lows[-1] + end - low_end, low_end)
        running = self._levels[-1][1]
        return below, running[end] - running[first]
