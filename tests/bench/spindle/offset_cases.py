"""Offset reports for the tests, and two second opinions on what they say."""

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence

import msgspec
import numpy as np
from scipy.stats import norm

from cotterline.bench.derivation import Trace
from cotterline.bench.spindle.misreadings import Normal
from cotterline.bench.spindle.offset import CrankId, Kind, OffsetReport
from cotterline.bench.spindle.offset_learning import MODEL, OffsetLearning, OffsetModel, learn

KIND = Kind(1, "jis")
STEEL = "Five-pin steel"

NO_SLIPS = msgspec.structs.replace(MODEL, misreading=msgspec.structs.replace(MODEL.misreading, chance=0.0))
"""The same constants where nobody ever misreads."""


def report(
    offset: float, crank: str = STEEL, *, sd: float = 0.6, kind: Kind = KIND, shared: bool = False
) -> OffsetReport:
    """One report of a crank that is known by its name."""
    return OffsetReport(crank=crank, rings=kind.rings, taper=kind.taper, offset_mm=offset, sd_mm=sd, shared=shared)


def learned(
    reports: Iterable[OffsetReport], crank: str = STEEL, model: OffsetModel = MODEL, trace: Trace | None = None
) -> OffsetLearning:
    """What they say of the crank, where they say anything."""
    found = learn(CrankId(crank), KIND, reports, trace or Trace(), model)
    assert found is not None
    return found


def readings(reports: Sequence[OffsetReport], model: OffsetModel) -> dict[str, list[tuple[float, float]]]:
    """Offset and standard deviation of each report by its crank's name."""
    found: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for each in reports:
        sd = math.hypot(each.sd_mm, model.between_shops.sd) if each.shared else each.sd_mm
        found[str(each.crank)].append((each.offset_mm, sd))
    return dict(found)


def by_joint_normal(reports: Sequence[OffsetReport], crank: str, model: OffsetModel) -> Normal:
    """The crank's offset given every reading at once: a joint normal of the mean, all offsets and all readings.

    Conditioning is by the covariance of the whole (Bayesian Data Analysis, third edition, 2013, appendix A).
    """
    by_crank = readings(reports, model)
    names = sorted({crank, *by_crank})
    design = np.array(
        [[1.0] + [float(name == each) for each in names] for name in names for _ in by_crank.get(name, [])]
    )
    seen = np.array([offset for name in names for offset, _ in by_crank.get(name, [])])
    noise = np.diag([sd**2 for name in names for _, sd in by_crank.get(name, [])])
    # Hidden: the mean of the kind, and by how much each crank differs from it.
    hidden = np.diag([model.start.sd**2] + [model.between_cranks.sd**2] * len(names))
    asked = np.array([1.0] + [float(crank == each) for each in names])
    gain = asked @ hidden @ design.T @ np.linalg.inv(design @ hidden @ design.T + noise)
    mean = model.start.mean + gain @ (seen - model.start.mean)
    return Normal(float(mean), math.sqrt(float(asked @ hidden @ asked - gain @ design @ hidden @ asked)))


def by_integration(reports: Sequence[OffsetReport], crank: str, model: OffsetModel) -> Normal:
    """The exact posterior, every report good or misread, integrated over a grid of offsets and of means of the kind."""
    by_crank = readings(reports, model)
    grid = np.linspace(-90.0, 70.0, 8001)
    step = float(grid[1] - grid[0])
    reach = np.arange(-500, 501) * step
    between = norm(0, model.between_cranks.sd).pdf(reach) * step

    def likelihood(name: str) -> np.ndarray:
        log_density = np.zeros_like(grid)
        for offset, sd in by_crank.get(name, []):
            slip = model.misreading
            log_density += np.log(
                (1 - slip.chance) * norm(grid, sd).pdf(offset)
                + slip.chance * norm(grid, math.hypot(sd, slip.sd)).pdf(offset)
            )
        density: np.ndarray = np.exp(log_density - log_density.max())
        return density

    mean = norm(model.start.mean, model.start.sd).pdf(grid)
    for name in by_crank:
        if name != crank:
            mean = mean * np.convolve(likelihood(name), between, "same")
            mean /= mean.max()
    density = np.convolve(mean, between, "same") * likelihood(crank)
    density /= density.sum()
    centre = float(grid @ density)
    return Normal(centre, math.sqrt(float((grid - centre) ** 2 @ density)))
