"""Values at random for keys of a scenario, drawn by Latin hypercube or Sobol sequence."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from simbank.distributions import Draw, parse_draw
from simbank.errors import InputError
from simbank.scenario import Scenario, joint_branches

__all__ = ["SAMPLERS", "draw_points", "draw_shares", "expand_keys"]

SAMPLERS = ("lhs", "sobol")


def expand_keys(scenario: Scenario, draws: Mapping[str, str | Draw]) -> dict[str, Draw]:
    """One key for each ``*``.

    ``packs.*.soc`` is the state of charge of every pack for itself (each of a ``count`` too), ``wiring.added.*`` the extra resistance
    of every link and lead.
    """
    out = {}
    for key, text in draws.items():
        draw = parse_draw(text, key)
        if "*" not in key:
            out[key] = draw
            continue
        begin, _, rest = key.partition(".*")
        if begin == "packs":
            names = [pack.name for pack in scenario.bank.packs]
        elif begin == "wiring.added":
            names = joint_branches(scenario.bank)
        elif begin in ("pack_types", "chemistries"):
            names = list(scenario.data.get(begin, {}))
        else:
            raise InputError("a * stands for every name in packs.*, pack_types.*, chemistries.* or wiring.added.*", key=key)
        out |= {f"{begin}.{name}{rest}": draw for name in names}
    return out


def draw_points(draws: Mapping[str, Draw], runs: int, sampler: str = "lhs", seed: int = 0) -> list[dict[str, Any]]:
    """Points, each a dict of key → value.

    Parameters
    ----------
    draws : dict of str to Draw
        A distribution for each key.
    runs : int
        How many points.
    sampler : {"lhs", "sobol"}
        Latin hypercube, or scrambled Sobol sequence (best with a power of two).
    seed : int
        The same points for the same seed.
    """
    shares = draw_shares(len(draws), runs, sampler, seed)
    return [{key: draw.value(share) for (key, draw), share in zip(draws.items(), row, strict=True)} for row in shares]


def draw_shares(many: int, runs: int, sampler: str = "lhs", seed: int = 0) -> np.ndarray:
    """Shares of the distributions of so many values, between 0 and 1, shape (runs, many); the rest as in :func:`draw_points`."""
    if sampler not in SAMPLERS:
        raise InputError(f"unknown sampler; use one of {', '.join(SAMPLERS)}", key="sampler", value=sampler)
    if runs < 1:
        raise InputError("needs one run or more", key="runs", value=runs)
    random = np.random.default_rng(seed)
    shares = _latin_hypercube(many, runs, random) if sampler == "lhs" else _sobol(many, runs, random)
    return np.clip(shares, 1e-9, 1 - 1e-9)


def _latin_hypercube(many, runs, random):
    """One point in each of ``runs`` equal parts of every axis (McKay, Beckman and Conover 1979, from memory), shape (runs, many).

    The very points of ``scipy.stats.qmc.LatinHypercube``; importing that costs a command half a second.
    """
    random = np.random.default_rng(random.bit_generator.seed_seq.spawn(1)[0])
    within = random.uniform(size=(runs, many))
    parts = np.tile(np.arange(1, runs + 1), (many, 1))
    for row in parts:
        random.shuffle(row)
    return (parts.T - within) / runs


def _sobol(many, runs, random):
    import warnings

    from scipy.stats import qmc

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that a count is no power of two
        return qmc.Sobol(many, rng=random).random(runs)
