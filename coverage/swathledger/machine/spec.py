"""What a machine file may hold: one pydantic model per table, types and ranges only.

Checks that look at more than one key are in :mod:`swathledger.machine.checks`, on the raw mapping, so that they are
told together with the faults found here.
"""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Positive = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0)]
NotNegative = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0)]
# Longer than a minute is no valve but a value in milliseconds.
Delay = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=60)]
Count = Annotated[int, Field(strict=True, ge=1)]
Text = Annotated[str, Field(strict=True, min_length=1)]
Flag = Annotated[bool, Field(strict=True)]
Percent = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=100)]
GroupName = Literal["boom", "nozzle", "limit"]


class _Table(BaseModel):
    """A table of the file: unknown keys are faults."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class BoomSpec(_Table):
    """``[boom]``: nozzles and sections, numbered from the left, looking forward."""

    nozzle_count: Annotated[int, Field(strict=True, ge=1, le=2000)] | None = None
    nozzle_spacing_m: Positive | None = None
    nozzle_spacing_in: Positive | None = None
    sections: Annotated[list[Count], Field(min_length=1)] | None = None
    section_widths_m: Annotated[list[Positive], Field(min_length=1)] | None = None
    section_widths_ft: Annotated[list[Positive], Field(min_length=1)] | None = None
    width_m: Positive | None = None
    width_ft: Positive | None = None


class AntennaSpec(_Table):
    """``[antenna]``: where the receiver is, and how good."""

    ahead_of_boom_m: Number | None = None
    ahead_of_boom_in: Number | None = None
    ahead_of_boom_ft: Number | None = None
    right_of_centre_m: Number | None = None
    right_of_centre_in: Number | None = None
    right_of_centre_ft: Number | None = None
    gnss_sigma_m: Positive | None = None
    gnss_sigma_in: Positive | None = None
    gnss_sigma_ft: Positive | None = None


class HitchSpec(_Table):
    """``[hitch]``: a trailed boom."""

    antenna_to_hitch_m: NotNegative | None = None
    antenna_to_hitch_in: NotNegative | None = None
    antenna_to_hitch_ft: NotNegative | None = None
    hitch_to_boom_m: Positive | None = None
    hitch_to_boom_in: Positive | None = None
    hitch_to_boom_ft: Positive | None = None


class ValvesSpec(_Table):
    """``[valves]``: delays and anticipation, s."""

    on_delay_s: Delay | None = None
    off_delay_s: Delay | None = None
    look_ahead_s: Delay | None = None
    look_ahead_on_s: Delay | None = None
    look_ahead_off_s: Delay | None = None
    minimum_on_s: Delay | None = None


class LogSpec(_Table):
    """``[log]``: how the log's file is to be read."""

    start: Annotated[dt.datetime, Field(strict=True)] | Annotated[dt.date, Field(strict=True)] | Text | None = None
    time_zone: Text | None = None
    time_format: Text | None = None
    delimiter: Text | None = None
    decimal: Literal[".", ","] | None = None
    encoding: Text | None = None
    skip_rows: Annotated[int, Field(strict=True, ge=0)] | None = None
    layer: Text | None = None
    task: Text | None = None
    time_log: Text | list[Text] | None = None


class RateSpec(_Table):
    """``[rate]``: the intended rate where the log has none."""

    set_rate_l_ha: Positive | None = None
    set_rate_gal_ac: Positive | None = None


class ReplaySpec(ValvesSpec):
    """``[replay]``: outlet groups to replay and the controller's settings; delays given here replace ``[valves]``."""

    groups: Annotated[list[GroupName | Count], Field(min_length=1)] | None = None
    widths_m: Annotated[list[Positive], Field(min_length=1)] | None = None
    widths_ft: Annotated[list[Positive], Field(min_length=1)] | None = None
    nozzles_per_group: Annotated[list[Annotated[list[Count], Field(min_length=1)]], Field(min_length=1)] | None = None
    off_when_covered: Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=1)] | None = None
    agreement_pct: Percent | None = None


class LineSpec(_Table):
    """One kind of line in ``[[plumbing.lines]]``."""

    name: Text | None = None
    inner_diameter_mm: Positive | None = None
    inner_diameter_in: Positive | None = None
    length_m: Positive | None = None
    length_ft: Positive | None = None
    count: Count | None = None
    carries: Literal["all", "section", "boom"] | None = None
    section: Count | None = None
    recirculated: Flag | None = None


class PlumbingSpec(_Table):
    """``[plumbing]``: what stands between tank and nozzles."""

    recirculating: Flag | None = None
    lines: list[LineSpec] | None = None
    held_l: NotNegative | None = None
    held_gal: NotNegative | None = None
    dead_ends: Annotated[int, Field(strict=True, ge=0)] | list[Annotated[int, Field(strict=True, ge=0)]] | None = None
    dead_end_length_m: Positive | None = None
    dead_end_length_in: Positive | None = None
    dead_end_diameter_mm: Positive | None = None
    dead_end_diameter_in: Positive | None = None
    tank_l: Positive | None = None
    tank_gal: Positive | None = None
    rinse_tank_l: Positive | None = None
    rinse_tank_gal: Positive | None = None
    residual_l: NotNegative | None = None
    residual_gal: NotNegative | None = None
    boom_feed: Literal["end", "centre"] | None = None
    nozzle_body_ml: NotNegative | None = None
    nozzle_flow_l_min: Positive | None = None
    nozzle_flow_gal_min: Positive | None = None


class ProductSpec(_Table):
    """One product of the tank in ``[[products]]``."""

    name: Text
    rate: Positive | None = None
    unit: Literal["L/ha", "mL/ha", "kg/ha", "g/ha", "gal/ac", "qt/ac", "pt/ac", "fl oz/ac", "lb/ac", "oz/ac"] | None = (
        None
    )
    price: NotNegative | None = None
    currency: Text | None = None
    active_ingredient: Text | None = None
    active_ingredient_g_l: Positive | None = None
    active_ingredient_g_kg: Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=1000)] | None = None
    active_ingredient_lb_gal: Positive | None = None
    label_maximum_rate: Positive | None = None


class MachineSpec(_Table):
    """The whole file."""

    name: Text
    boom: BoomSpec
    antenna: AntennaSpec = AntennaSpec()
    hitch: HitchSpec | None = None
    valves: ValvesSpec = ValvesSpec()
    columns: dict[str, Text] = Field(default_factory=dict)
    log: LogSpec = LogSpec()
    rate: RateSpec = RateSpec()
    replay: ReplaySpec = ReplaySpec()
    plumbing: PlumbingSpec = PlumbingSpec()
    products: list[ProductSpec] = Field(default_factory=list)
