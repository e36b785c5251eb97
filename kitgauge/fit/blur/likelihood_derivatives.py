"""Gradient and Hessian of the likelihood of streaks in theta = (a, b, ln k, g, tau).

What a frame adds depends on two numbers only: its ln scale (with the burst's factor) and ln k. Derivatives in these
two are taken by differences, of all frames at once; the chain rule gives the rest, so that parameters cost hardly any
more evaluations. Over the nodes z of a burst's factor, with weights p that add up to 1, the derivatives of
ln sum exp are: gradient E[d], Hessian E[d2] + Cov[d] (Louis, J. R. Statist. Soc. B 44 (1982) 226, from memory). The
nodes stay in place meanwhile, since the integral does not depend on them.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]
FrameFunction = Callable[[Array, Array], Array]

_STEP = 1e-3
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
    middle = of_frames(scale, np.exp(ln_k))
    up, down = of_frames(scale + _STEP, np.exp(ln_k)), of_frames(scale - _STEP, np.exp(ln_k))
    s, ss = (up - down) / (2.0 * _STEP), (up - 2.0 * middle + down) / _STEP**2
    if not has_shape:
        none = np.zeros_like(middle)
        return middle, s, none, ss, none, none
    wide, narrow = of_frames(scale, np.exp(ln_k + _STEP)), of_frames(scale, np.exp(ln_k - _STEP))
    both = of_frames(scale + _STEP, np.exp(ln_k + _STEP)) + of_frames(scale - _STEP, np.exp(ln_k - _STEP))
    k, kk = (wide - narrow) / (2.0 * _STEP), (wide - 2.0 * middle + narrow) / _STEP**2
    sk = (both - up - down - wide - narrow + 2.0 * middle) / (2.0 * _STEP**2)
    return middle, s, k, ss, sk, kk


def total_derivatives(
    frames: tuple[Array, ...], slope: Array, stretch: tuple[Array, Array, Array], node: Array, members: Array
) -> tuple[Array, Array, Array]:
    """Return value (m, q, j), gradient (m, q, j, 5) and Hessian (m, q, j, 5, 5) of each burst at each node.

    `frames`: value and derivatives (m, q, n) in ln scale and ln k; `slope` (m, 1, 1) is b; `stretch`: h and its
    derivatives in g (m, 1, n); `node` (m, q, n): the burst's factor in units of tau; `members` (n, j).
    """
    value, s, k, ss, sk, kk = frames
    h, h_g, h_gg = (np.broadcast_to(part, s.shape) for part in stretch)
    # ln scale = a + b h(g) + tau node
    inner = np.stack([np.ones_like(s), h, np.zeros_like(s), slope * h_g, np.broadcast_to(node, s.shape)], axis=-1)
    first = s[..., None] * inner
    first[..., 2] = k
    second = ss[..., None, None] * inner[..., :, None] * inner[..., None, :]
    second[..., 2, :] = sk[..., None] * inner
    second[..., :, 2] = second[..., 2, :]
    second[..., 2, 2] = kk
    second[..., 1, 3] += s * h_g
    second[..., 3, 1] += s * h_g
    second[..., 3, 3] += s * slope * h_gg
    gathered = np.moveaxis(np.moveaxis(first, 2, -1) @ members, -1, 2)
    curved = np.moveaxis(np.moveaxis(second, 2, -1) @ members, -1, 2)
    return value @ members, gathered, curved


def over_nodes(terms: Array, gradient: Array, hessian: Array) -> tuple[Array, Array, Array]:
    """Return ln sum exp(terms) over the nodes, axis 1, with gradient and Hessian: (m, j), (m, j, 5), (m, j, 5, 5)."""
    total = special.logsumexp(terms, axis=1)
    weight = np.exp(terms - total[:, None])
    mean = np.einsum("mqj,mqjp->mjp", weight, gradient)
    spread = np.einsum("mqj,mqjp,mqjr->mjpr", weight, gradient, gradient) - mean[..., :, None] * mean[..., None, :]
    return total, mean, np.einsum("mqj,mqjpr->mjpr", weight, hessian) + spread
