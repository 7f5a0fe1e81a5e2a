"""A virtual patient's parameters as a person writes them: lung, leak, heart, effort, gas exchange.

Every number has a range in which a patient can be; outside, it is refused. Units stand in the names. Absent tables
mean: linear lung, no leak, no effort, a healthy exchange scaled by weight.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from tidebench.entries import Within, plain_whole, refusal
from tidebench.simulation.effort import QUARTER

Compliance = Annotated[float, Within(0.05, 300, "mL/cmH2O", {"L/cmH2O": 1000})]
Resistance = Annotated[float, Within(0.1, 5000, "cmH2O·s/L")]
Share = Annotated[float, Within(0, 1, "as a fraction", {"per cent": 0.01})]
Cv = Annotated[float, Within(0, 1, "as a fraction", {"per cent": 0.01})]
Cm = Annotated[float, Within(-30, 80, "cmH2O")]
MOST_COMPARTMENTS = 8
MOST_RATTLING = 1.0  # times what airways resist: beyond it they would drive the breath
Spread = Annotated[float, Within(0.1, 30, "cmH2O")]


class Table(BaseModel):
    """A frozen table that refuses unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Sigmoid(Table):
    """Recoil of a compartment that bends: ``V = low + span / (1 + exp(−(P − middle) / width))``.

    Venegas, J Appl Physiol 1998;84:389.
    """

    low_ml: Annotated[float, Within(-3000, 3000, "mL")] = 0.0
    span_ml: Annotated[float, Within(1, 8000, "mL", {"L": 1000})]
    middle_cmh2o: Cm
    width_cmh2o: Spread


class Recruitment(Table):
    """The share of a compartment whose units close, and at which pressures they open and close (logistic spread)."""

    share: Annotated[float, Within(0, 0.9, "as a fraction", {"per cent": 0.01})]
    opening_cmh2o: Cm
    opening_spread_cmh2o: Spread = 3.0
    closing_cmh2o: Cm
    closing_spread_cmh2o: Spread = 2.0
    opening_time_s: Annotated[float, Within(0.05, 60, "s")] = 0.6
    closing_time_s: Annotated[float, Within(0.05, 60, "s")] = 1.5

    @model_validator(mode="after")
    def _opens_above_closing(self) -> Self:
        if self.opening_cmh2o <= self.closing_cmh2o:
            raise refusal(
                "opens at or below the pressure at which it closes",
                "opening_cmh2o above closing_cmh2o, such as 20 and 5",
            )
        return self


class Compartment(Table):
    """A part of the lung with its own airway: its recoil is straight (a compliance) or bent (a sigmoid)."""

    compliance_ml_cmh2o: Compliance | None = None
    sigmoid: Sigmoid | None = None
    resistance_cmh2o_s_l: Resistance
    expiratory_resistance_cmh2o_s_l: Resistance | None = None
    limiting_resistance_cmh2o_s_l: Resistance | None = None
    recruitment: Recruitment | None = None

    @model_validator(mode="after")
    def _one_recoil(self) -> Self:
        if (self.compliance_ml_cmh2o is None) == (self.sigmoid is None):
            raise refusal("has both or neither of compliance_ml_cmh2o and sigmoid", "one of them")
        return self


def airway_resistance_cmh2o_s_l(compartments: Sequence[Compartment]) -> float:
    """Inspiratory resistance of the airways of all compartments in parallel."""
    return 1 / sum(1 / part.resistance_cmh2o_s_l for part in compartments)


class Lung(Table):
    """Compartments in parallel in one chest, behind the upper airway (tube and its coefficients come from the case)."""

    compartments: tuple[Compartment, ...]
    chest_wall_compliance_ml_cmh2o: Compliance | None = None
    pleural_pressure_cmh2o: Annotated[float, Within(-20, 40, "cmH2O")] = 0.0
    relaxation_elastance_cmh2o_l: Annotated[float, Within(0, 5000, "cmH2O/L")] = 0.0
    relaxation_time_s: Annotated[float, Within(0.05, 20, "s")] = 1.0
    upper_airway_resistance_cmh2o_s_l: Annotated[float, Within(0, 1000, "cmH2O·s/L")] = 0.0
    tube_blocked: Annotated[float, Within(0, 0.8, "of the tube's cross-section", {"per cent": 0.01})] = 0.0
    secretions: Annotated[float, Within(0, 30, "cmH2O·s/L")] = 0.0
    heart_amplitude_cmh2o: Annotated[float, Within(0, 5, "cmH2O")] = 0.0
    heart_rate_per_min: Annotated[float, Within(20, 240, "per minute")] = 80.0

    @model_validator(mode="after")
    def _some_lung(self) -> Self:
        if not 1 <= len(self.compartments) <= MOST_COMPARTMENTS:
            raise refusal(
                f"has {len(self.compartments)} compartments", f"1 to {MOST_COMPARTMENTS}",
                "One is [[lung.compartments]] with compliance_ml_cmh2o = 50 and resistance_cmh2o_s_l = 10.",
            )  # fmt: skip
        return self

    @model_validator(mode="after")
    def _rattling(self) -> Self:
        """Wet noise gives back for moments what airways take, never more."""
        most = MOST_RATTLING * airway_resistance_cmh2o_s_l(self.compartments)
        if self.secretions > most:
            raise refusal(
                f"has secretions of {self.secretions:g} cmH2O·s/L", f"at most {most:.3g}: what airways resist"
            )
        return self


class Leak(Table):
    """Gas lost on the patient's side of the sensor: ``flow = size · P^exponent``, at the mask or past the cuff."""

    at: Literal["mask", "cuff"] = "cuff"
    flow_l_min: Annotated[float, Within(0, 120, "L/min at 10 cmH2O")] = 0.0
    exponent: Annotated[float, Within(0.4, 1.2)] = 0.6
    closes_below_cmh2o: Annotated[float, Within(0, 60, "cmH2O")] = 0.0


class Effort(Table):
    """Respiratory drive: rate, size and time of efforts, how they vary, what they follow."""

    rate_per_min: Annotated[float, Within(0, 120, "per minute")] = 0.0
    rate_cv: Cv = 0.08
    size_cmh2o: Annotated[float, Within(0, 60, "cmH2O")] = 5.0
    size_cv: Cv = 0.15
    neural_time_s: Annotated[float, Within(0.1, 4, "s", {"milliseconds": 0.001})] = 0.9
    neural_time_cv: Cv = 0.08
    relaxing_time_s: Annotated[float, Within(0.02, 1, "s")] = 0.1
    bend: Annotated[float, Within(1, 4)] = 2.0
    expiratory_cmh2o: Annotated[float, Within(0, 40, "cmH2O")] = 0.0
    periodic_cycle_s: Annotated[float, Within(5, 300, "s")] = 60.0
    periodic_depth: Share = 0.0
    co2_gain_per_mmhg: Annotated[float, Within(0, 1, "per mmHg")] = 0.0
    co2_setpoint_mmhg: Annotated[float, Within(15, 120, "mmHg", {"kPa": 7.50062})] = 40.0
    unloading: Annotated[float, Within(0, 2)] = 0.0
    unloaded_volume_ml: Annotated[float, Within(0, 2000, "mL")] = 0.0
    entrained_every: Annotated[int, BeforeValidator(plain_whole), Field(ge=0, le=8, strict=True)] = 0
    entrained_delay_s: Annotated[float, Within(0.02, 5, "s")] = 0.4
    entrained_delay_sd_s: Annotated[float, Within(0, 1, "s")] = 0.04
    entrained_size_cmh2o: Annotated[float, Within(0, 60, "cmH2O")] = 5.0

    @model_validator(mode="after")
    def _fits(self) -> Self:
        """An effort rises and is over before the next one is due."""
        lasts = self.neural_time_s + QUARTER * self.relaxing_time_s
        if self.rate_per_min * lasts > 60:
            raise refusal(
                f"has efforts of {lasts:.3g} s, relaxation included, {self.rate_per_min:g} per minute",
                f"neural_time_s and relaxing_time_s that fit into {60 / self.rate_per_min:.3g} s",
            )
        return self


class Exchange(Table):
    """Metabolism, blood and dead space; ``None`` takes what the weight suggests."""

    co2_production_ml_min: Annotated[float, Within(1, 1000, "mL/min STPD")] | None = None
    o2_uptake_ml_min: Annotated[float, Within(1, 1200, "mL/min STPD")] | None = None
    cardiac_output_l_min: Annotated[float, Within(0.05, 20, "L/min")] | None = None
    shunt: Annotated[float, Within(0, 0.8, "as a fraction", {"per cent": 0.01})] = 0.03
    alveolar_dead_space: Annotated[float, Within(0, 0.9, "of the alveolar volume", {"per cent": 0.01})] = 0.05
    airway_dead_space_ml: Annotated[float, Within(0.1, 400, "mL")] | None = None
    residual_volume_ml: Annotated[float, Within(5, 6000, "mL")] | None = None
    haemoglobin_g_dl: Annotated[float, Within(3, 25, "g/dL", {"g/L": 0.1})] = 12.0
    bicarbonate_mmol_l: Annotated[float, Within(5, 60, "mmol/L")] = 24.0
    barometric_pressure_mmhg: Annotated[float, Within(250, 850, "mmHg", {"kPa": 7.50062})] = 760.0


class Ventilator(Table):
    """How a ventilator is built and what it does besides its settings. Generic values: common practice, no source."""

    trigger_delay_s: Annotated[float, Within(0, 0.5, "s", {"milliseconds": 0.001})] = 0.05
    refractory_s: Annotated[float, Within(0, 2, "s")] = 0.25
    shortest_inflation_s: Annotated[float, Within(0.05, 2, "s")] = 0.2
    longest_support_s: Annotated[float, Within(0.2, 6, "s")] = 2.5
    pressure_limit_cmh2o: Annotated[float, Within(5, 120, "cmH2O")] = 60.0
    largest_change_cmh2o: Annotated[float, Within(0.5, 10, "cmH2O")] = 3.0
    synchronising_share: Share = 0.3
    apnoea_s: Annotated[float, Within(2, 60, "s")] = 20.0
    backup_rate_per_min: Annotated[float, Within(0, 80, "per minute")] = 0.0
    backup_above_peep_cmh2o: Annotated[float, Within(3, 60, "cmH2O")] = 15.0
    leak_compensation: Share = 1.0
    source_resistance_cmh2o_s_l: Annotated[float, Within(0.001, 50, "cmH2O·s/L")] = 0.8
    valve_resistance_cmh2o_s_l: Annotated[float, Within(0.001, 200, "cmH2O·s/L")] = 2.5
    valve_time_s: Annotated[float, Within(0, 0.2, "s", {"milliseconds": 0.001})] = 0.012
    highest_flow_l_min: Annotated[float, Within(5, 600, "L/min")] = 180.0
    base_flow_l_min: Annotated[float, Within(0, 40, "L/min")] = 3.0
    condensate: Annotated[float, Within(0, 1)] = 0.0


class Sensors(Table):
    """What sensors make of the signals; all zero is clean."""

    pressure_noise_cmh2o: Annotated[float, Within(0, 5, "cmH2O")] = 0.0
    flow_noise_l_min: Annotated[float, Within(0, 20, "L/min")] = 0.0
    pressure_offset_cmh2o: Annotated[float, Within(-10, 10, "cmH2O")] = 0.0
    flow_offset_l_min: Annotated[float, Within(-20, 20, "L/min")] = 0.0
    flow_drift_l_min_per_h: Annotated[float, Within(-600, 600, "L/min per hour")] = 0.0
    flow_gain: Annotated[float, Within(0.5, 1.5)] = 1.0
    flow_delay_s: Annotated[float, Within(-0.2, 0.2, "s", {"milliseconds": 0.001})] = 0.0
    flow_lag_s: Annotated[float, Within(0, 0.2, "s", {"milliseconds": 0.001})] = 0.0
    pressure_step_cmh2o: Annotated[float, Within(0, 2, "cmH2O")] = 0.0
    flow_step_l_min: Annotated[float, Within(0, 5, "L/min")] = 0.0
    seed: Annotated[int, BeforeValidator(plain_whole), Field(ge=0, strict=True)] = 0
