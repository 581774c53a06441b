"""What a shop's own recorded times say about its pace, operation by operation.

The natural logarithm of a time's ratio to the book's mean is taken as normal with a known standard deviation, its mean
as normal around nothing learned; the update is the conjugate one of a normal mean with known variance (Bayesian Data
Analysis, third edition, 2013, section 2.5). The book's minutes are multiplied by the exponential of the mean after it.
"""

import math
from collections import defaultdict
from collections.abc import Iterable
from typing import Annotated, Final

import msgspec
from msgspec import Meta

from cotterline.bench.data import load
from cotterline.bench.derivation import Trace
from cotterline.bench.labour.book import LONGEST, LabourBook, Minutes, OperationId

_SOURCE: Final = "normal mean with known variance: Bayesian Data Analysis, third edition, 2013, section 2.5"


class _Prior(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    source: str
    grade: str
    prior_sd: float
    job_sd: float
    factor_most: float


_PRIOR = load("labour_learning", _Prior)


class LabourTime(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One recorded time.

    Attributes:
        operation: what was done, once.
        minutes: it took, without what went wrong.
    """

    operation: OperationId
    minutes: Annotated[float, Meta(gt=0, le=LONGEST)]


class Learning(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What was learned of one operation. Ratios are to the book's mean; spreads are of the natural logarithm.

    Attributes:
        operation: which.
        book_mean: expected minutes by the book.
        prior_sd: spread of the ratio's logarithm before anything was recorded; invented.
        job_sd: spread from one job to the next; invented.
        count: how many times were recorded.
        evidence_mean: mean of the logarithms recorded; 0 for none.
        posterior_mean: of the ratio's logarithm.
        posterior_sd: of it.
        factor: multiplies the book's minutes.
        limited: whether ``factor`` was held to the most or least it may be: then the book's row itself is wrong.
    """

    operation: OperationId
    book_mean: float
    prior_sd: float
    job_sd: float
    count: int
    evidence_mean: float
    posterior_mean: float
    posterior_sd: float
    factor: float
    limited: bool


def learn(book: LabourBook, times: Iterable[LabourTime], trace: Trace) -> dict[OperationId, Learning]:
    """What ``times`` say about every operation of ``book``, in its order; times of other operations are passed over.

    >>> from cotterline.bench.labour.book import Operation
    >>> wash = Operation(name="Wash", minutes=Minutes(low=5, likely=10, high=15))
    >>> slow = [LabourTime(operation="wash", minutes=20.0)] * 50
    >>> round(learn(LabourBook(operations={"wash": wash}), slow, Trace())["wash"].factor, 2)
    1.96
    """
    recorded: dict[OperationId, list[float]] = defaultdict(list)
    for time in times:
        recorded[time.operation].append(time.minutes)
    return {
        name: _learned(name, operation.minutes.mean, recorded[name], trace)
        for name, operation in book.operations.items()
    }


def scaled(minutes: Minutes, factor: float) -> Minutes:
    """``minutes`` at the shop's own pace, to a thousandth, and none beyond what a book may say."""
    low, likely, high = (min(round(each * factor, 3), LONGEST) for each in (minutes.low, minutes.likely, minutes.high))
    return Minutes(low=low, likely=likely, high=high)


def _learned(name: OperationId, mean: float, times: list[float], trace: Trace) -> Learning:
    # A row of no minutes has no ratio to learn.
    ratios = [math.log(minutes / mean) for minutes in times] if mean > 0 else []
    count, evidence = len(ratios), math.fsum(ratios) / len(ratios) if ratios else 0.0
    prior, job, most = _PRIOR.prior_sd, _PRIOR.job_sd, math.log(_PRIOR.factor_most)
    precision = 1 / prior**2 + count / job**2
    centre = (count * evidence / job**2) / precision
    sd = 1 / math.sqrt(precision)
    factor = math.exp(min(max(centre, -most), most))
    known = {"prior_sd": prior, "job_sd": job, "count": float(count)}
    if count:
        mean_formula = "count * evidence / job_sd**2 / (1 / prior_sd**2 + count / job_sd**2)"
        trace.note(f"{name}: mean logarithm", mean_formula, centre, "1", _SOURCE, evidence=evidence, **known)
        trace.note(f"{name}: its spread", "1 / sqrt(1 / prior_sd**2 + count / job_sd**2)", sd, "1", _SOURCE, **known)
        limits = "exp(min(max(mean, -most), most))"
        trace.note(f"{name}: factor", limits, factor, "1", _SOURCE, mean=centre, most=most)
    return Learning(
        operation=name,
        book_mean=round(mean, 6),
        prior_sd=prior,
        job_sd=job,
        count=count,
        evidence_mean=round(evidence, 9),
        posterior_mean=round(centre, 9),
        posterior_sd=round(sd, 9),
        factor=round(factor, 9),
        limited=abs(centre) > most,
    )
