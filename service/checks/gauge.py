"""How well a pressure was read: the gauge's certificate (else its class) and its resolution.

Budget: u² = (U/k)² + (resolution/√12)², JCGM 100:2008 (from memory; confirm against the document); a class limit ±a is
taken rectangular, u = a/√3. Expanded uncertainties are given for k = 2.
"""

from __future__ import annotations

from decimal import Decimal

from service.checks.job import Fact, InstrumentRecord, Job
from service.entries.instrument import InstrumentCalibrated, PressureGauge
from service.entries.work import PressureRead

SQRT3 = Decimal(3).sqrt()
SQRT12 = Decimal(12).sqrt()
"""A limit ±a that may lie anywhere in it has u = a/√3, a last digit d u = d/√12 (JCGM 100:2008)."""


def gauge_name(reading: PressureRead) -> str | None:
    """What tells one gauge from another: the instrument's code, else the name of a fixed gauge."""
    return reading.instrument or reading.gauge


def resolution(job: Job, reading: PressureRead) -> Decimal | None:
    """The gauge's resolution, kPa: as recorded with the reading, else as registered."""
    if reading.resolution is not None:
        return reading.resolution.si
    record = job.instrument(reading.instrument)
    registered = record.model.resolution if record and isinstance(record.model, PressureGauge) else None
    return registered.si if registered is not None else None


def accuracy(job: Job, fact: Fact[PressureRead]) -> Decimal | None:
    """How true the gauge is: standard uncertainty without the resolution, kPa; None where nothing says."""
    record = job.instrument(fact.data.instrument)
    if record is None:
        return None
    return accuracy_of(record, record.calibration_on(job.day(fact.at)), abs(fact.data.pressure.si))


def standard_uncertainty(job: Job, fact: Fact[PressureRead]) -> Decimal | None:
    """Standard uncertainty of one reading, kPa; None where neither instrument nor resolution is known.

    Of the resolution alone where nothing says how true the gauge is: the least it can be.
    """
    smallest, known = resolution(job, fact.data), accuracy(job, fact)
    if smallest is None and known is None:
        return None
    return ((known or Decimal(0)) ** 2 + ((smallest or Decimal(0)) / SQRT12) ** 2).sqrt()


def accuracy_of(record: InstrumentRecord, certificate: InstrumentCalibrated | None, reading: Decimal) -> Decimal | None:
    """Standard uncertainty from the certificate in force, else from the class, kPa; None where neither says."""
    gauge = record.model
    if not isinstance(gauge, PressureGauge):
        return None
    span = (gauge.max.si - (gauge.min.si if gauge.min is not None else Decimal(0))) if gauge.max is not None else None
    if certificate is not None:
        k = Decimal(certificate.k or 2) or Decimal(2)  # a certificate with k = 0 states nothing: the usual 2 holds
        if certificate.uncertainty is not None:
            return certificate.uncertainty.si / k if certificate.uncertainty.si_unit == "kPa" else None
        base = reading if certificate.of == "reading" else span
        if certificate.uncertainty_percent is not None and base is not None:
            return Decimal(certificate.uncertainty_percent) / 100 * base / k
    if gauge.class_percent is not None and span is not None:
        return Decimal(gauge.class_percent) / 100 * span / SQRT3
    return None
