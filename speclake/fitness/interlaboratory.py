"""Several laboratories or instruments on one piece: repeatability and reproducibility.

ISO 5725-2, basic method: each laboratory measures the same piece several times. Everything is taken
wavelength by wavelength. No laboratory is left out here: the statistics tell which stands apart,
and leaving one out is for people who found the reason.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from speclake.spectrum import FloatArray

Standing = Literal["", "straggler", "outlier"]
"""Beyond the critical value at 5 % a straggler, beyond that at 1 % an outlier."""


@dataclass(frozen=True, eq=False)
class Precision:
    """Precision of a method from one piece in several laboratories.

    Arrays have shape (p,), those of laboratories (labs, p); NaN where too few results are. All
    standard deviations are in the unit of the results.

    Parameters
    ----------
    labs : number of laboratories with a result.
    results : number of results.
    mean : general mean, weighted by the number of results.
    repeatability_sd : s_r, within the laboratories.
    between_sd : s_L, between the laboratories; 0 where its variance comes out negative.
    reproducibility_sd : s_R, √(s_r² + s_L²).
    lab_means, lab_sds : of each laboratory.
    h : Mandel's h, how far the mean of a laboratory lies off, in standard deviations of the means.
    k : Mandel's k, standard deviation of a laboratory over that of all.
    """

    labs: npt.NDArray[np.intp]
    results: npt.NDArray[np.intp]
    mean: FloatArray
    repeatability_sd: FloatArray
    between_sd: FloatArray
    reproducibility_sd: FloatArray
    lab_means: FloatArray
    lab_sds: FloatArray
    h: FloatArray
    k: FloatArray

    @property
    def repeatability_limit(self) -> FloatArray:
        """Limit r = 2.8 s_r: two results of one laboratory differ by more in 5 % of cases."""
        return 2.8 * self.repeatability_sd

    @property
    def reproducibility_limit(self) -> FloatArray:
        """Limit R = 2.8 s_R: results of two laboratories differ by more in 5 % of cases."""
        return 2.8 * self.reproducibility_sd


def precision(results: npt.ArrayLike) -> Precision:
    """Repeatability and reproducibility, with Mandel's h and k.

    s_r² = Σ(n_i - 1) s_i² / Σ(n_i - 1); s_d² = Σ n_i (ȳ_i - m)² / (p - 1);
    n̄ = (Σ n_i - Σ n_i² / Σ n_i) / (p - 1); s_L² = (s_d² - s_r²) / n̄, at least 0;
    s_R² = s_r² + s_L².

    Parameters
    ----------
    results : shape (labs, replicates, p); NaN where a laboratory has fewer, or no, results.

    Raises
    ------
    ValueError
        The results have another shape, or there are fewer than two laboratories.

    References
    ----------
    ISO 5725-2, Accuracy (trueness and precision) of measurement methods and results, part 2: basic
    method for the determination of repeatability and reproducibility, clause 7 (from memory).

    Examples
    --------
    >>> found = precision([[[1.0], [1.2]], [[1.4], [1.6]], [[1.1], [1.1]]])
    >>> print(found.repeatability_sd.round(4), found.reproducibility_sd.round(4))
    [0.1155] [0.2449]
    """
    y = np.asarray(results, dtype=np.float64)
    if y.ndim != 3 or y.shape[0] < 2:
        raise ValueError(
            f"found results of shape {y.shape}; expected two or more laboratories x replicates x "
            "wavelengths"
        )
    known = ~np.isnan(y)
    n = known.sum(axis=1)
    means = _over(np.where(known, y, 0.0).sum(axis=1), n)
    squares = (np.where(known, y - means[:, np.newaxis, :], 0.0) ** 2).sum(axis=1)
    sds = np.sqrt(_over(squares, n - 1))
    labs, total = (n > 0).sum(axis=0), n.sum(axis=0)
    filled = np.where(n > 0, means, 0.0)
    mean = _over((n * filled).sum(axis=0), total)
    off = np.where(n > 0, means - mean, 0.0)
    within = _over(squares.sum(axis=0), total - labs)
    between = _over((n * off**2).sum(axis=0), labs - 1)
    typical = _over(total - _over((n**2).sum(axis=0), total), labs - 1)
    of_labs = np.maximum((between - within) / typical, 0.0)
    spread = np.sqrt(_over((off**2).sum(axis=0), labs - 1))
    usable = n > 1
    pooled = np.sqrt(_over(np.where(usable, sds**2, 0.0).sum(axis=0), usable.sum(axis=0)))
    with np.errstate(divide="ignore", invalid="ignore"):
        h = np.where(spread > 0, (means - mean) / spread, np.nan)
        k = np.where(pooled > 0, sds / pooled, np.nan)
    return Precision(
        labs, total, mean, np.sqrt(within), np.sqrt(of_labs), np.sqrt(within + of_labs),
        means, sds, h, k,
    )  # fmt: skip


def critical_h(labs: int, alpha: float) -> float:
    """Critical value of Mandel's |h| of one laboratory.

    (p - 1) t / √(p (t² + p - 2)), t the two-sided quantile of Student with p - 2 degrees of
    freedom; NaN for fewer than three laboratories.

    Examples
    --------
    >>> round(critical_h(8, 0.005), 2)
    2.15
    """
    from scipy.stats import t

    if labs < 3:
        return float("nan")
    q = float(t.ppf(1 - alpha / 2, labs - 2))
    return float((labs - 1) * q / np.sqrt(labs * (q**2 + labs - 2)))


def critical_k(labs: int, replicates: int, alpha: float) -> float:
    """Critical value of Mandel's k of one laboratory.

    √(p / (1 + (p - 1) / F)), F the quantile with n - 1 and (p - 1)(n - 1) degrees of freedom.

    Examples
    --------
    >>> round(critical_k(8, 3, 0.005), 2)
    2.06
    """
    from scipy.stats import f

    if labs < 2 or replicates < 2:
        return float("nan")
    q = float(f.ppf(1 - alpha, replicates - 1, (labs - 1) * (replicates - 1)))
    return float(np.sqrt(labs / (1 + (labs - 1) / q)))


@dataclass(frozen=True)
class LabTest:
    """Statistic of one laboratory with its critical values; `lab` counts from 0."""

    lab: int
    statistic: float
    at_5_percent: float
    at_1_percent: float

    @property
    def standing(self) -> Standing:
        """Whether the laboratory stands apart."""
        if self.statistic > self.at_1_percent:
            return "outlier"
        return "straggler" if self.statistic > self.at_5_percent else ""


def cochran(sds: npt.ArrayLike, replicates: int) -> LabTest | None:
    """Cochran's test of the largest standard deviation: its variance over the sum of all.

    None where there are fewer than two laboratories with a scatter.

    Parameters
    ----------
    sds : shape (labs,); NaN where a laboratory has none.
    replicates : results of each laboratory; where they are not all as many, the usual number.

    References
    ----------
    W. G. Cochran, Annals of Eugenics 11 (1941) 47-52; ISO 5725-2, 7.3.3. The critical values are
    those of its table 4, from 1 / (1 + (p - 1) / F) with F at α/p.
    """
    s = np.asarray(sds, dtype=np.float64)
    variances = np.where(np.isnan(s), 0.0, s**2)
    labs = int((~np.isnan(s)).sum())
    if labs < 2 or replicates < 2 or not variances.any():
        return None
    lab = int(variances.argmax())
    return LabTest(
        lab,
        float(variances[lab] / variances.sum()),
        critical_cochran(labs, replicates, 0.05),
        critical_cochran(labs, replicates, 0.01),
    )


def critical_cochran(labs: int, replicates: int, alpha: float) -> float:
    """Critical value of Cochran's statistic, as for `cochran`."""
    from scipy.stats import f

    q = float(f.ppf(1 - alpha / labs, replicates - 1, (labs - 1) * (replicates - 1)))
    return 1 / (1 + (labs - 1) / q)


def grubbs(means: npt.ArrayLike) -> LabTest | None:
    """Grubbs' test of the mean that lies farthest off: its distance in standard deviations.

    None where there are fewer than three laboratories, or their means are all equal.

    References
    ----------
    F. E. Grubbs, Technometrics 11 (1969) 1-21; ISO 5725-2, 7.3.4, whose table 5 has the two-sided
    critical values. Its test of the two farthest together is not made.
    """
    x = np.asarray(means, dtype=np.float64)
    known = x[~np.isnan(x)]
    if known.size < 3 or not known.std():
        return None
    distance = np.abs(x - known.mean()) / known.std(ddof=1)
    lab = int(np.nanargmax(distance))
    return LabTest(
        lab,
        float(distance[lab]),
        critical_grubbs(known.size, 0.05),
        critical_grubbs(known.size, 0.01),
    )


def critical_grubbs(n: int, alpha: float, *, sides: Literal[1, 2] = 2) -> float:
    """Critical value of Grubbs' statistic of `n` values.

    (n - 1)/√n · √(t² / (n - 2 + t²)), t the quantile of Student at α/(sides · n).
    """
    from scipy.stats import t

    q = float(t.ppf(1 - alpha / (sides * n), n - 2))
    return float((n - 1) / np.sqrt(n) * np.sqrt(q**2 / (n - 2 + q**2)))


def _over(sums: FloatArray, counts: npt.NDArray[np.intp] | FloatArray) -> FloatArray:
    quotient: FloatArray = np.divide(
        sums, counts, out=np.full(np.shape(sums), np.nan, dtype=np.float64), where=counts > 0
    )
    return quotient
