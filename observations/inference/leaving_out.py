"""Judging each call by tables that it did not help to learn.

In a small club a call's own share in the table that judges it makes the likeliest truth look likelier still: fish are
then found too surely, too rare, and detected at too high a rate. Taking the share out is the zero-order collapsed
update (Asuncion, Welling, Smyth & Teh 2009, On smoothing and inference for topic models, UAI), here on three levels:
an observer's table, the method's it is shrunk to, the club's above.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .grouping import Prepared
from .results import CallModel
from .types import Float, Int

_LEAST = 1e-9


@dataclass(frozen=True)
class Weights:
    """What tables rest on, for echoes or for calls, in observations; see `calls.update`.

    Attributes
    ----------
    pair : (J, K+1), method : (5, K+1), club : (K+1,)
        Denominators of the means, prior included.
    to_method : (J, K+1), to_club : (5, K+1)
        How much one observation counts one level up.
    """

    pair: Float
    method: Float
    club: Float
    to_method: Float
    to_club: Float

    @classmethod
    def of(cls, n: Float, prior: Float, pair_method: Int, kappa: Float, methods: int) -> Weights:
        """From the observations n (J, K+1) of each pair and those of the prior (K+1,)."""
        to_method = (kappa[0] + 1.0) / (n + kappa[0])
        pooled = np.zeros((methods, n.shape[1]))
        np.add.at(pooled, pair_method, n * to_method)
        to_club = (kappa[1] + 1.0) / (pooled + kappa[1])
        club = (pooled * to_club).sum(axis=0) + prior
        return cls(n + kappa[0], pooled + kappa[1], club, to_method, to_club)

    def without(
        self,
        means: tuple[Float, Float, Float],
        share: Float,
        pair: Int,
        method: Int,
        kappa: Float,
        own: Float | float = 1.0,
    ) -> Float:
        """Means of the rows' own cells without their own shares, (n, K+1).

        Parameters
        ----------
        means : tuple of three (n, K+1)
            Of the pair's, the method's and the club's table.
        share : (n, K+1)
        pair, method : int (n,)
        own : (n, K+1) or 1
            How much of the share is in the row's own cell; the rest is in the other ones.
        """
        mine, centre, top = means
        up = share * self.to_method[pair]
        upper = up * self.to_club[method]
        top_moved = upper * (top - own) / np.maximum(self.club - upper, _LEAST)
        at_method = self.method[method] - up
        centre_moved = (up * (centre - own) + kappa[1] * top_moved) / at_method
        at_pair = self.pair[pair] - share
        made: Float = mine + (share * (mine - own) + kappa[0] * centre_moved) / at_pair
        return np.clip(made, _LEAST, 1.0)


@dataclass(frozen=True)
class OwnShares:
    """Each call row's share in the tables, from the pass before; `target` and `genuine` are replaced in place.

    Attributes
    ----------
    target : (n, K+1)
        Chance of each truth, which feeds P(echoes | truth); 0 for rows that do not count.
    genuine : (n, K+1)
        The same of calls that are no copies, which feeds P(call | truth, echoes).
    echoes, calls : Weights
    bare : (n, K+1), optional
        Of filtered rows: chance that a bare screen had nothing to show; 1 elsewhere.
    """

    target: Float
    genuine: Float
    echoes: Weights
    calls: Weights
    bare: Float | None = None

    def part(self, low: int, high: int) -> OwnShares:
        """Rows low to high - 1, as views."""
        bare = None if self.bare is None else self.bare[low:high]
        return OwnShares(self.target[low:high], self.genuine[low:high], self.echoes, self.calls, bare)

    def keep(
        self, data: Prepared, target: Float, fresh: Float, pairs: int, unseen: Float | None = None
    ) -> None:
        """Note the shares of this pass: posterior of the targets (V, K+1); rows that are no copies, and bare
        screens that hide echoes (n, K+1)."""
        if self.bare is not None and unseen is not None:
            self.bare[:] = 1.0 - unseen
        counted = (data.counted & (data.call_table < pairs))[:, None]
        self.target[:] = target[data.call_visit] * counted
        self.genuine[:] = self.target * fresh * (data.outcome > 0)[:, None]

    def judged(self, data: Prepared, model: CallModel) -> tuple[Float, Float]:
        """P(the row's outcome | truth) but for copies, and P(echoes | truth), without the row's share, (n, K+1)."""
        j = len(model.pair)
        pair = np.minimum(data.call_table, j - 1)
        method = np.where(data.call_table < j, model.pair_method[pair], data.call_table - j)
        tables = np.concatenate([model.pair, model.method])
        rows = (
            tables[data.call_table],
            model.method[method],
            np.broadcast_to(model.club, (len(pair), *model.club.shape)),
        )
        echoed = (data.outcome > 0)[:, None]
        blank = [table[:, :, 0] for table in rows]
        seen = tuple(np.where(echoed, 1.0 - b, b) for b in blank)
        own = 1.0 if self.bare is None else self.bare
        kind = self.echoes.without((seen[0], seen[1], seen[2]), self.target, pair, method, model.kappa, own)
        at = np.arange(len(pair))
        called = [
            t[at, :, data.outcome] / np.maximum(1.0 - b, _LEAST) for t, b in zip(rows, blank, strict=True)
        ]
        call = self.calls.without((called[0], called[1], called[2]), self.genuine, pair, method, model.kappa)
        return kind * np.where(echoed, call, 1.0), kind
