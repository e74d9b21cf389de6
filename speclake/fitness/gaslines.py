"""Lines of the gases in a beam path: oxygen in the deep UV, water vapour in the near infrared.

Both are computed from published molecular constants. They are good for the shape of bands at the
bandwidth of a laboratory's spectrophotometer, 0.1 nm and more; they are no line list for anything
finer. Strengths are relative within one gas.
"""

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np

from speclake.spectrum import FloatArray

KT_CM1 = 205.75
"""Boltzmann's constant times 296 K over h c, in cm⁻¹."""


@dataclass(frozen=True, eq=False)
class Lines:
    """Lines of a gas.

    Parameters
    ----------
    cm1 : wavenumber of each line, in vacuum by definition, shape (n,).
    strength : of each, relative, above zero.
    """

    cm1: FloatArray
    strength: FloatArray


@dataclass(frozen=True)
class Rotor:
    """Constants of an asymmetric top in cm⁻¹: rotation, and distortion in Watson's A reduction."""

    a: float
    b: float
    c: float
    delta_j: float = 1.248e-3
    delta_jk: float = -5.767e-3
    delta_k: float = 3.2525e-2
    small_delta_j: float = 5.083e-4
    small_delta_k: float = 1.300e-3


WATER = Rotor(27.8806, 14.5218, 9.2777)
"""Ground level of H2 16O; F. C. De Lucia, P. Helminger and W. H. Kirchhoff, J. Phys. Chem. Ref.
Data 3 (1974) 211; from memory. Its distortion is taken for the upper levels too."""

_ALPHA = ((0.750, 0.238, 0.2018), (-2.941, -0.160, 0.1392), (1.253, 0.078, 0.1445))
"""How one quantum of v1, v2, v3 lowers A, B, C; G. Herzberg, Infrared and Raman Spectra (1945)
p. 488, after Darling and Dennison (1940); from memory."""

WATER_BANDS: dict[str, tuple[float, tuple[int, int, int]]] = {
    "1380 nm": (7249.82, (1, 0, 1)),
    "1870 nm": (5331.27, (0, 1, 1)),
    "2660 nm": (3755.93, (0, 0, 1)),
}
"""Origin in cm⁻¹ and quanta of the strongest band of each region, all of the a type; origins from
J. Tennyson and others, J. Quant. Spectrosc. Radiat. Transfer 117 (2013) 29, from memory. The bands
of the b type beside them, below a tenth of the strength, are left out."""

HIGHEST_J = 16


@cache
def oxygen() -> Lines:
    """Lines of the Schumann-Runge bands (0,0) to (9,0) at 296 K, without triplet splitting.

    Rotation N = 1, 3, 5 ... of the ground level alone (nuclear spin zero), branches R and P with
    the strengths N + 1 and N; G. Herzberg, Spectra of Diatomic Molecules (1950). The splitting is
    below 4 cm⁻¹, 0.015 nm. B and D of the ground level: K. P. Huber and G. Herzberg (1979).
    """
    table = resources.files("speclake.fitness") / "data" / "oxygen_schumann_runge.csv"
    text = table.read_text("utf-8")
    n = np.arange(1.0, 61.0, 2.0)
    ground = 1.43768 * n * (n + 1) - 4.84e-6 * (n * (n + 1)) ** 2
    weight = np.exp(-ground / KT_CM1)
    places, strengths = [], []
    for row in csv.DictReader(text.splitlines()[1:]):
        origin, b, d, overlap = (
            float(row[k]) for k in ("origin_cm1", "b_cm1", "d_cm1", "franck_condon")
        )
        for upper, share in ((n + 1, n + 1), (n - 1, n)):
            term = b * upper * (upper + 1) - d * (upper * (upper + 1)) ** 2
            places.append(origin + term - ground)
            strengths.append(overlap * share * weight)
    return Lines(np.concatenate(places), np.concatenate(strengths))


@cache
def water(band: str) -> Lines:
    """Lines of one band of `WATER_BANDS` at 296 K, relative to the strongest.

    Rigid asymmetric top with quartic distortion; dipole along the axis of least inertia (a type);
    nuclear spin weights 3 and 1. Lines below 1e-4 of the strongest are left out.
    """
    origin, quanta = WATER_BANDS[band]
    loss_a, loss_b, loss_c = np.array(quanta) @ np.array(_ALPHA)
    excited = Rotor(WATER.a - loss_a, WATER.b - loss_b, WATER.c - loss_c)
    below = {(j, p): levels(WATER, j, p) for j in range(HIGHEST_J + 1) for p in (1, -1)}
    above = {(j, p): levels(excited, j, p) for j in range(HIGHEST_J + 2) for p in (1, -1)}
    places, strengths = [], []
    for (j, parity), (low, states) in below.items():
        spin = 1.0 if parity * (-1) ** j > 0 else 3.0
        population = spin * np.exp(-low / KT_CM1)
        for upper_j, upper_parity, amplitude in _moments(j, parity):
            high, excited_states = above[upper_j, upper_parity]
            moment = excited_states.T @ (amplitude @ states)
            places.append((origin + high[:, None] - low[None, :]).ravel())
            strengths.append((moment**2 * population).ravel())
    cm1, strength = np.concatenate(places), np.concatenate(strengths)
    strength = strength * cm1 / (strength * cm1).max()
    kept = strength > 1e-4
    return Lines(cm1[kept], strength[kept])


def levels(rotor: Rotor, j: int, parity: int) -> tuple[FloatArray, FloatArray]:
    """Energies in cm⁻¹ and states of one J, of the combinations ``|K> + parity |-K>``.

    States are columns over K = -J ... J along the axis of least inertia, shape (2 J + 1, n).
    """
    k = np.arange(-j, j + 1.0)
    square = float(j * (j + 1))
    mean = (rotor.b + rotor.c) / 2
    diagonal = (
        mean * square + (rotor.a - mean) * k**2
        - rotor.delta_j * square**2 - rotor.delta_jk * square * k**2 - rotor.delta_k * k**4
    )  # fmt: skip
    energy = np.diag(diagonal)
    if j >= 1:
        low = k[:-2]
        ladder = np.sqrt((square - low * (low + 1)) * (square - (low + 1) * (low + 2)))
        factor = (
            (rotor.b - rotor.c) / 4 - rotor.small_delta_j * square
            - rotor.small_delta_k / 2 * (low**2 + (low + 2) ** 2)
        )  # fmt: skip
        energy += np.diag(factor * ladder, 2) + np.diag(factor * ladder, -2)
    basis = _combinations(j, parity)
    if basis.shape[1] == 0:
        return np.empty(0), np.empty((2 * j + 1, 0))
    found, states = np.linalg.eigh(basis.T @ energy @ basis)
    return found, basis @ states


def _combinations(j: int, parity: int) -> FloatArray:
    columns = []
    for k in range(1, j + 1):
        column = np.zeros(2 * j + 1)
        column[j + k], column[j - k] = np.sqrt(0.5), parity * np.sqrt(0.5)
        columns.append(column)
    if parity > 0:
        columns.insert(0, np.eye(2 * j + 1)[j])
    return np.array(columns).T.reshape(2 * j + 1, len(columns))


def _moments(j: int, parity: int) -> Iterator[tuple[int, int, FloatArray]]:
    """Upper J and parity, and the moment along the a axis between symmetric tops of equal K."""
    k = np.arange(-j, j + 1.0)
    up = np.zeros((2 * j + 3, 2 * j + 1))
    up[np.arange(2 * j + 1) + 1, np.arange(2 * j + 1)] = np.sqrt(((j + 1) ** 2 - k**2) / (j + 1))
    yield j + 1, parity, up
    if j >= 1:
        # K changes its sign with -K, and with it the parity of the combination
        yield j, -parity, np.diag(k * np.sqrt((2 * j + 1) / (j * (j + 1))))
        down = np.zeros((2 * j - 1, 2 * j + 1))
        inner = k[1:-1]
        down[np.arange(2 * j - 1), np.arange(2 * j - 1) + 1] = np.sqrt((j**2 - inner**2) / j)
        yield j - 1, parity, down
