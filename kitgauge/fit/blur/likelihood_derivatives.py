"""Gradient and Hessian of the likelihood of streaks in theta = (a, b, ln k, g, tau).

What a frame adds depends on two numbers only: its ln scale (with the burst's factor) and ln k. Derivatives in these
two are taken by differences, of all frames at once; the chain rule gives the rest, so that parameters cost hardly any
more evaluations. Over the nodes z of a burst's factor, with weights p that add up to 1, the derivatives of
ln sum exp are: gradient E[d], Hessian E[d2] + Cov[d] (Louis, J. R. Statist. Soc. B 44 (1982) 226, from memory). The
nodes stay in place meanwhile, since the integral does not depend on them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]
FrameFunction = Callable[[Array, Array], Array]

_STEP = 1e-3
_STEPS = ((0, 0), (1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, -1))  # in ln scale and ln k
_MANY = 4000  # numbers of an array from which on its size decides the time, not the call
COLUMNS = 5


def stretched_derivatives(x: Array, bend: Array) -> tuple[Array, Array, Array]:
    """Return h(x) = (1 - exp(-g x)) / g and its first two derivatives in g; arrays of any broadcast shape."""
    h = np.asarray(x * special.exprel(-bend * x), dtype=np.float64)
    product = bend * x
    small = np.abs(product) < 0.02
    safe = np.where(small, 1.0, bend)
    decay = np.exp(-product)
    # series of h in g where the closed forms cancel: x (1 - q/2 + q^2/6 - q^3/24 + q^4/120), q = g x
    q = np.where(small, product, 0.0)
    first = np.where(small, x**2 * (-1.0 / 2.0 + q / 3.0 - q**2 / 8.0 + q**3 / 30.0), (x * decay - h) / safe)
    second = np.where(
        small, x**3 * (1.0 / 3.0 - q / 4.0 + q**2 / 10.0 - q**3 / 36.0), -(x**2 * decay + 2.0 * first) / safe
    )
    return h, np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)


def frame_derivatives(of_frames: FrameFunction, scale: Array, ln_k: Array, has_shape: bool) -> tuple[Array, ...]:
    """Return value and derivatives s, k, ss, sk, kk (m, n) of what frames add, in their ln scale and in ln k.

    `of_frames(scale (m, n), k (m, 1))`; those in k are 0 where the family has no shape.
    """
    steps = _STEPS if has_shape else _STEPS[:3]
    values = _of_steps(of_frames, scale, ln_k, steps)
    middle, up, down = values[:3]
    s, ss = (up - down) / (2.0 * _STEP), (up - 2.0 * middle + down) / _STEP**2
    if not has_shape:
        none = np.zeros_like(middle)
        return middle, s, none, ss, none, none
    wide, narrow, more, less = values[3:]
    k, kk = (wide - narrow) / (2.0 * _STEP), (wide - 2.0 * middle + narrow) / _STEP**2
    sk = (more + less - up - down - wide - narrow + 2.0 * middle) / (2.0 * _STEP**2)
    return middle, s, k, ss, sk, kk


def _of_steps(of_frames: FrameFunction, scale: Array, ln_k: Array, steps: Sequence[tuple[int, int]]) -> list[Array]:
    """Return what frames add (m, n) at each of `steps` in ln scale and ln k."""
    if scale.size > _MANY:
        return [of_frames(scale + i * _STEP, np.exp(ln_k + j * _STEP)) for i, j in steps]
    # few numbers: the time goes into the calls, so there is one
    scales = np.concatenate([scale + i * _STEP for i, _ in steps])
    shapes = np.exp(np.concatenate([ln_k + j * _STEP for _, j in steps]))
    return list(of_frames(scales, shapes).reshape(len(steps), *scale.shape))


def total_derivatives(
    frames: tuple[Array, ...], slope: Array, stretch: tuple[Array, Array, Array], node: Array, members: Array
) -> tuple[Array, Array, Array]:
    """Return value (m, q, j), gradient (m, q, j, 5) and Hessian (m, q, j, 5, 5) of each burst at each node.

    `frames`: value and derivatives (m, q, n) in ln scale and ln k; `slope` (m, 1, 1) is b; `stretch`: h and its
    derivatives in g (m, 1, n); `node` (m, q, j): the burst's factor in units of tau; `members` (n, j).
    """
    value, s, k, ss, sk, kk = frames
    h, h_g, h_gg = stretch
    # ln scale = a + b h(g) + tau node; slope and node are those of the burst, so that sums over its frames come first
    of_h, of_g = ss * h, ss * h_g
    terms = (value, s, k, ss, sk, kk, s * h, s * h_g, s * h_gg, of_h, of_g, of_h * h, of_h * h_g, of_g * h_g,
             sk * h, sk * h_g)  # fmt: skip
    value, s, k, ss, sk, kk, s_h, s_g, s_gg, ss_h, ss_g, ss_hh, ss_hg, ss_gg, sk_h, sk_g = np.stack(terms) @ members
    first = np.stack([s, s_h, k, slope * s_g, node * s], axis=-1)
    upper = (
        (ss, ss_h, sk, slope * ss_g, node * ss),
        (ss_hh, sk_h, slope * ss_hg + s_g, node * ss_h),
        (kk, slope * sk_g, node * sk),
        (slope**2 * ss_gg + slope * s_gg, node * slope * ss_g),
        (node**2 * ss,),
    )
    second = np.empty((*s.shape, COLUMNS, COLUMNS))
    for row, parts in enumerate(upper):
        for column, part in enumerate(parts, row):
            second[..., row, column] = second[..., column, row] = part
    return value, first, second


def log_sum(terms: Array, axis: int) -> Array:
    """Return ln sum exp(terms) along one axis, for finite sums; SciPy's takes several times as long on small arrays."""
    top = np.max(terms, axis=axis, keepdims=True)
    return np.asarray(np.squeeze(top, axis) + np.log(np.sum(np.exp(terms - top), axis=axis)), dtype=np.float64)


def over_nodes(terms: Array, gradient: Array, hessian: Array) -> tuple[Array, Array, Array]:
    """Return ln sum exp(terms) over the nodes, axis 1, with gradient and Hessian: (m, j), (m, j, 5), (m, j, 5, 5)."""
    total = log_sum(terms, axis=1)
    weight = np.exp(terms - total[:, None])
    mean = np.einsum("mqj,mqjp->mjp", weight, gradient)
    spread = np.einsum("mqj,mqjp,mqjr->mjpr", weight, gradient, gradient) - mean[..., :, None] * mean[..., None, :]
    return total, mean, np.einsum("mqj,mqjpr->mjpr", weight, hessian) + spread
