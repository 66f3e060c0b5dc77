"""An audited field as ``ledger.json``: SI, absent knowledge null."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import msgspec

from swathledger._version import __version__
from swathledger.advice.actions import actions_of
from swathledger.advice.alarms import alarms_of, near_m2
from swathledger.checkup.checkup import Counted
from swathledger.documents.document import NoteCode, rounded, taken
from swathledger.documents.ledger import (
    AuditedWith,
    CauseLitres,
    InputFile,
    Ledger,
    LedgerArea,
    LedgerBalance,
    LedgerCause,
    LedgerCounted,
    LedgerEstimate,
    LedgerField,
    LedgerProvenance,
    LedgerQuality,
    LedgerVerdict,
    LedgerVolume,
    SetAsideRows,
)
from swathledger.documents.replay import GROUND, CauseArea, LedgerLayout, LedgerModel, LedgerSeams, SavingLine, trust
from swathledger.field.shape import shape_metrics
from swathledger.grid.causes import CAUSE_ORDER
from swathledger.ledger.accounting import Accounting
from swathledger.ledger.balance import balance_of
from swathledger.money.account import ProductAccount, standing_litres_known
from swathledger.report.audited import Audit
from swathledger.report.document_tables import product_table, standing_table
from swathledger.report.polygonise import Pieces
from swathledger.shutoff.results import LayoutResult, Replay, SavingStep
from swathledger.words import say, say_all


def _share(part: float, whole: float) -> float | None:
    return 100.0 * part / whole if whole > 0 else None


def _field(audit: Audit) -> LedgerField:
    field, shape = audit.field, shape_metrics(audit.field)
    recorded = field.recorded_area_m2
    return taken(
        LedgerField,
        shape,
        id=field.field_id,
        boundary=field.source,
        boundary_area_m2=field.boundary_area_m2,
        recorded_area_m2=recorded,
        recorded_minus_boundary_pct=None
        if recorded is None
        else _share(recorded - field.geodesic_area_m2, field.geodesic_area_m2),
        exclusion_area_m2=field.exclusion_area_m2,
        parts=shape.part_count,
        holes=shape.hole_count,
        exclusions=shape.exclusion_count,
        notes=tuple(say_all(field.notes)),
    )


def _area(accounting: Accounting) -> LedgerArea:
    areas = accounting.areas
    h2 = areas.cell_m**2
    ground = {name: areas.m2(name.removesuffix("_m2")) for name in ("target_m2", *GROUND)}
    errors = {name: areas.standard_error_m2(name.removesuffix("_m2")) for name in ground}
    return LedgerArea(
        **ground,
        over_application_pct=_share(ground["over_application_m2"], ground["target_m2"]),
        skip_pct=_share(ground["skip_m2"], ground["target_m2"]),
        not_recorded_m2=areas.m2("not_recorded"),
        not_recorded_pct=_share(areas.m2("not_recorded"), ground["target_m2"]),
        standard_error_m2=max(errors.values()),
        standard_errors_m2=errors,
        off_rate_10pct_m2=(areas.off_rate_low_cells + areas.off_rate_high_cells) * h2,
        under_rate_10pct_m2=areas.off_rate_low_cells * h2,
        over_rate_10pct_m2=areas.off_rate_high_cells * h2,
        tolerance_m=areas.tolerance_m,
        overlap_beyond_tolerance_m2=areas.beyond_cells["overlap"] * h2,
        skip_beyond_tolerance_m2=areas.beyond_cells["skip"] * h2,
        outside_beyond_tolerance_m2=areas.beyond_cells["outside"] * h2,
        far_m2=accounting.far_m2,
    )


def _volume(accounting: Accounting, standing_known: bool) -> LedgerVolume | None:
    volumes = accounting.volumes
    if volumes is None:
        return None
    return taken(
        LedgerVolume,
        volumes,
        standing_l=volumes.standing_l if standing_known else None,
        set_rate_l_m2=accounting.set_rate_l_m2,
    )


def _balance(accounting: Accounting, standing_known: bool) -> LedgerBalance | None:
    if accounting.volumes is None:
        return None
    balance = balance_of(accounting.volumes, standing_known=standing_known)
    by_cause = tuple(CauseLitres(cause=cause, volume_l=litres) for cause, litres in balance.by_cause_l.items())
    return taken(LedgerBalance, balance, by_cause=by_cause)


def _causes(accounting: Accounting, standing_known: bool) -> tuple[LedgerCause, ...]:
    h2, volumes = accounting.areas.cell_m**2, accounting.volumes

    def litres(cause: str) -> float | None:
        return None if volumes is None or (cause == "standing" and not standing_known) else volumes.by_cause_l[cause]

    return tuple(
        LedgerCause(cause=cause, area_m2=accounting.cause_cells[cause] * h2, volume_l=litres(cause))
        for cause in CAUSE_ORDER
    )


def _cause_areas(cells: Mapping[str, int], cell_m: float) -> tuple[CauseArea, ...]:
    return tuple(CauseArea(cause=cause, area_m2=cells[cause] * cell_m**2) for cause in CAUSE_ORDER)


def _spared(
    result: LayoutResult, reference: LayoutResult, products: ProductAccount | None
) -> tuple[float | None, float | None, float | None]:
    """Litres, per cent and money spared against a reference; per cent by area where litres are not known."""
    base_m2, spared_m2 = reference.m2("applied"), reference.m2("applied") - result.m2("applied")
    if reference.volume_l is None or result.volume_l is None:
        litres, pct = None, _share(spared_m2, base_m2)
    else:
        litres = reference.volume_l - result.volume_l
        pct = _share(litres, reference.volume_l)
    return litres, pct, None if products is None else products.saved_money(litres, spared_m2)


def _line(step: SavingStep, products: ProductAccount | None) -> SavingLine:
    money = None if products is None else products.saved_money(step.saved_l, step.saved_m2)
    return taken(SavingLine, step, saved_money=money)


def _layout(result: LayoutResult, replay: Replay, products: ProductAccount | None) -> LedgerLayout:
    ground = {name: result.m2(name.removesuffix("_m2")) for name in GROUND}
    target, covered_m2 = result.m2("target"), ground["covered_m2"]
    saved_l, saved_pct, saved_money = _spared(result, replay.as_logged, products)
    model_l, model_pct, model_money = _spared(result, replay.logged, products)
    return LedgerLayout(
        groups=None if result.layout.limit else result.layout.groups,
        group_width_m=result.layout.group_width_m,
        label=result.layout.name,
        description=say(result.layout.label),
        **ground,
        over_application_pct=_share(ground["over_application_m2"], target),
        skip_pct=_share(ground["skip_m2"], target),
        standard_error_m2=result.standard_error_m2,
        volume_l=result.volume_l,
        volume_per_covered_ha_l=result.volume_l / (covered_m2 / 1e4)
        if result.volume_l is not None and covered_m2 > 0
        else None,
        applied_per_covered=ground["applied_m2"] / covered_m2 if covered_m2 > 0 else None,
        saved_l=saved_l,
        saved_pct=saved_pct,
        saved_money=saved_money,
        saved_vs_model_l=model_l,
        saved_vs_model_pct=model_pct,
        saved_vs_model_money=model_money,
        steps=tuple(_line(step, products) for step in result.steps),
        closed_form_pct=result.closed_form_pct,
        closed_form_timing_pct=result.closed_form_timing_pct,
        closed_form_doubt=result.closed_form_doubt,
        cause=_cause_areas(result.by_cause_cells, result.cell_m),
    )


def _finest(replay: Replay) -> LayoutResult | None:
    """The layout with the narrowest groups: the one that claims most."""
    grouped = [result for result in replay.results if not result.layout.limit]
    return min(grouped, key=lambda result: result.layout.group_width_m or 0.0, default=None)


def _model(replay: Replay | None, products: ProductAccount | None) -> LedgerModel | None:
    if replay is None:
        return None
    done, today, cell_m = replay.as_logged, replay.logged, replay.as_logged.cell_m
    difference_m2 = today.m2("over_application") - done.m2("over_application")
    finest = _finest(replay)
    claimed = None if finest is None else finest.step("resolution")
    to_model = None if finest is None else finest.step("model")
    return LedgerModel(
        section_seconds_agreement_pct=replay.agreement_pct,
        volume_difference_pct=replay.volume_difference_pct,
        over_application_difference_m2=difference_m2,
        over_applied_difference_l=None if to_model is None or to_model.saved_l is None else -to_model.saved_l,
        claimed_by=None if finest is None else finest.layout.name,
        claimed_m2=None if claimed is None else claimed.saved_m2,
        claimed_l=None if claimed is None else claimed.saved_l,
        level_pct=replay.level_pct,
        trusted=trust(difference_m2, None if claimed is None else claimed.saved_m2),
        cell_m=cell_m,
        as_logged=_layout(done, replay, products),
        logged_layout=_layout(today, replay, products),
        floor=None if replay.floor is None else _layout(replay.floor, replay, products),
        seams=None if replay.seams is None else taken(LedgerSeams, replay.seams),
        spared_by=replay.spared_by,
        spared_by_cause=_cause_areas(replay.spared_cells, cell_m),
        turn_over_dose_l=replay.turn_spared_l,
        turn_under_dose_l=replay.turn_short_l,
        notes=tuple(say_all(replay.notes)),
        note_codes=tuple(map(NoteCode.of, replay.notes)),
    )


def _quality(audit: Audit) -> LedgerQuality:
    quality, swath, log = audit.log.quality, audit.swath, audit.log
    return LedgerQuality(
        epochs=quality.epochs,
        used=quality.used,
        set_aside=tuple(taken(SetAsideRows, rows) for rows in quality.set_aside),
        gaps=swath.gaps,
        unbridged_m=swath.unbridged_m,
        median_step_s=quality.median_step_s,
        span_s=float(log.time_s[-1] - log.time_s[0]),
        passes=swath.pass_count,
        standing_open_s=swath.standing_open_s,
        position_sigma_m=swath.sigma_m,
        state_kind=log.state_kind,
        side_assumed=swath.width_by_row,
        columns_understood=quality.columns_understood,
        columns_ignored=quality.columns_ignored,
        counter_m2=None if audit.checkup is None else _counted(audit.checkup.counter_m2),
        flow_l=None if audit.checkup is None else _counted(audit.checkup.flow_l),
        assumptions=tuple(say_all(audit.assumptions)),
        notes=tuple(map(NoteCode.of, audit.assumptions)),
    )


def _counted(counted: Counted | None) -> LedgerCounted | None:
    if counted is None:
        return None
    return taken(LedgerCounted, counted, difference_pct=counted.difference_pct)


def _verdict(audit: Audit) -> LedgerVerdict | None:
    if audit.checkup is None:
        return None
    return LedgerVerdict(fit=audit.checkup.verdict, why=tuple(map(NoteCode.of, audit.checkup.why)))


def _provenance(audit: Audit) -> LedgerProvenance:
    settings, machine = audit.settings, audit.machine
    inputs: Iterable[tuple[str, str]] = (
        *audit.log.inputs, *audit.field.inputs, *(() if machine.source is None else (machine.source,))
    )  # fmt: skip
    return LedgerProvenance(
        version=__version__,
        inputs=tuple(InputFile(name=name, sha256=digest) for name, digest in dict.fromkeys(inputs)),
        machine=machine.name,
        settings=taken(AuditedWith, settings, revisit_s=None, groups=settings.groups or (), field=settings.field_id),
        projection=audit.field.plane.proj4,
        cell_m=audit.accounting.areas.cell_m,
        method="cell sampling at one hashed point a cell; see docs/method.md",
    )


def _estimate(audit: Audit) -> tuple[LedgerEstimate, ...] | None:
    if audit.estimate is None:
        return None
    return tuple(
        taken(LedgerEstimate, line, by_source=dict(line.by_source), moves=dict(line.moves))
        for line in audit.estimate.headlines
    )


def _advised(ledger: Ledger, audit: Audit, pieces: Pieces | None) -> Ledger:
    """The document with what to look at first and what to do."""
    h2 = audit.accounting.areas.cell_m**2
    excluded_m2 = outside_m2 = 0.0
    if pieces is not None:
        excluded_m2 = sum(piece.cells for piece in pieces.of("excluded")) * h2
        outside = [(piece.outline, piece.treatments * h2) for piece in pieces.of("outside")]
        outside_m2 = near_m2(outside, audit.field.exclusions)
    alarms = alarms_of(ledger, excluded_m2, outside_m2)
    return msgspec.structs.replace(
        ledger, alarm=alarms, action=actions_of(ledger, audit.actions, by_hand=audit.by_hand)
    )


def ledger_of(audit: Audit, pieces: Pieces | None = None) -> Ledger:
    """The document of an audited field; numbers are rounded as they are written.

    ``pieces``: connected ground of each class, for alarms that hang on where it lies; None: these are left out.
    """
    accounting, replay, products = audit.accounting, audit.replay, audit.products
    standing_known = standing_litres_known(audit.log, audit.swath)
    document = Ledger(
        estimate=_estimate(audit),
        verdict=_verdict(audit),
        field=_field(audit),
        area=_area(accounting),
        volume=_volume(accounting, standing_known),
        balance=_balance(accounting, standing_known),
        cause=_causes(accounting, standing_known),
        standing=standing_table(audit.standing, audit.log),
        product=product_table(products),
        replay=() if replay is None else tuple(_layout(result, replay, products) for result in replay.results),
        model=_model(replay, products),
        quality=_quality(audit),
        provenance=_provenance(audit),
    )
    return rounded(_advised(document, audit, pieces))
