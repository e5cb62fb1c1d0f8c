"""A scenario: one synthetic line, as a page of TOML describes it."""

from __future__ import annotations

from pathlib import Path
from typing import Literal, Self

from pydantic import Field, ValidationError, model_validator

from teachlab.data.atomic_files import read_text
from teachlab.data.shipped import datasets_root
from teachlab.data.strict_json import parse_toml
from teachlab.errors import ScenarioError
from teachlab.synthetic.product.background import BeltBackground
from teachlab.synthetic.product.motion import Halt, Stops, Wander
from teachlab.synthetic.product.objects import Object
from teachlab.synthetic.sensor.beam import Beam
from teachlab.synthetic.sensor.electronics import FrontEnd, ReceiverNoise
from teachlab.synthetic.sensor.logged_output import SimulatedSensor
from teachlab.synthetic.shared.consistency import scenario_faults
from teachlab.synthetic.shared.spread import Amount
from teachlab.synthetic.shared.tables import Table, refusal
from teachlab.synthetic.trouble.drift import Drift
from teachlab.synthetic.trouble.faults import Faults
from teachlab.synthetic.trouble.interference import Interference


class Reference(Table):
    """The card that sets the scale for objects given by reflectance and distance.

    `peak_mm`: nearer than this the fields of emitter and receiver no longer overlap.
    """

    reflectance: float = Field(default=0.9, gt=0, le=1)
    distance_mm: float = Field(gt=0)
    level_percent: float = Field(gt=0, le=1000)
    peak_mm: float = Field(default=0.0, ge=0, le=1e4)

    def words(self) -> str:
        """Return the scale in words."""
        blind = f", brightest at {self.peak_mm:g} mm" if self.peak_mm else ""
        return (
            f"a card of reflectance {self.reflectance:g} at {self.distance_mm:g} mm shows {self.level_percent:g} % of "
            f"full scale{blind}"
        )

    @model_validator(mode="after")
    def _not_blind(self) -> Self:
        # at a tenth of the peak distance nothing is left to scale a level to
        if self.distance_mm < self.peak_mm / 5:
            raise ValueError(
                f"the card at {self.distance_mm:g} mm lies in the blind zone of peak_mm = {self.peak_mm:g}: "
                "give the level at a distance of at least a fifth of it"
            )
        return self


class Suppression(Table):
    """Background suppression by triangulation, for objects given by reflectance and distance."""

    cutoff_mm: float = Field(gt=0)
    gain_percent: float = Field(gt=0)
    white_black_share: float = Field(default=0.0, ge=0, le=0.5)

    def words(self) -> str:
        """Return the suppression in words."""
        near = f", a black one {100 * self.white_black_share:g} % nearer" if self.white_black_share else ""
        return f"background suppression, a white card is cut off at {self.cutoff_mm:g} mm{near}"


class Sensor(Table):
    """The sensor and its logger."""

    sensing: Literal["diffuse", "through-beam", "retroreflective", "background-suppressed", "other"]
    sample_rate_hz: float = Field(gt=0, le=1e7)
    direction: Literal["rise", "dip"] | None = None
    bits: int = Field(default=12, ge=2, le=16)
    unit: Literal["counts", "percent"] = "counts"
    beam: Beam
    front_end: FrontEnd = FrontEnd()
    noise: ReceiverNoise = ReceiverNoise()
    reference: Reference | None = None
    suppression: Suppression | None = None


class LineSpeedAndGaps(Table):
    """The speed of the line and the distances of the products.

    `lot_level_cv`: spread of a lognormal factor of the level, of median 1, that differs from lot to lot.
    """

    speed_mm_s: float = Field(gt=0, le=1e5)
    lead_in_mm: float = Field(default=200.0, ge=0, le=1e9)
    gap_mm: Amount
    touching_share: float = Field(default=0.0, ge=0, le=1)
    lot_passes: int | None = Field(default=None, ge=1)
    lot_level_cv: float = Field(default=0.0, ge=0, le=3)
    wander: Wander | None = None
    stops: Stops | None = None
    halts: tuple[Halt, ...] = ()


class Controller(Table):
    """The controller that reads the output. It changes no sample; it is in the notes, and `explain` describes it.

    `scan_ms`: longest time between two readings of the input.
    `filter_ms`: filter of the input.
    """

    scan_ms: float = Field(gt=0, le=1e5)
    filter_ms: float = Field(default=0.0, ge=0, le=1e5)

    def words(self) -> str:
        """Return the controller in words."""
        return f"controller scan {self.scan_ms:g} ms, input filter {self.filter_ms:g} ms"


class Device(Table):
    """The sensor beside the logger, whose output is written to the recording; it changes no light.

    Its keys are the parameters of `SimulatedSensor`. Usual: lag 0 to 10, jitter 0 to 2, shares 0 to 0.02.
    """

    on_level: float
    off_level: float
    polarity: Literal["light-on", "dark-on"] = "light-on"
    consecutive: int = Field(default=1, ge=1, le=1000)
    on_delay: int = Field(default=0, ge=0, le=100_000)
    off_delay: int = Field(default=0, ge=0, le=100_000)
    samples_per_evaluation: int = Field(default=1, ge=1, le=1000)
    evaluation_phase: int = Field(default=0, ge=0, le=999)
    lag: int = Field(default=0, ge=0, le=100_000)
    jitter: int = Field(default=0, ge=0, le=1000)
    noise: float = Field(default=0.0, ge=0, le=1e6)
    missing_share: float = Field(default=0.0, ge=0, le=0.5)
    spurious_share: float = Field(default=0.0, ge=0, le=0.5)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.off_level > self.on_level:
            raise ValueError("off_level must not exceed on_level")
        if self.evaluation_phase >= self.samples_per_evaluation:
            raise ValueError("evaluation_phase must be below samples_per_evaluation")
        return self

    def simulated(self) -> SimulatedSensor:
        """Return the sensor itself."""
        return SimulatedSensor(
            on_level=self.on_level, off_level=self.off_level, light_on=self.polarity == "light-on",
            consecutive=self.consecutive, on_delay=self.on_delay, off_delay=self.off_delay,
            ratio=self.samples_per_evaluation, phase=self.evaluation_phase, lag=self.lag, jitter=self.jitter,
            noise=self.noise, missing=self.missing_share, spurious=self.spurious_share,
        )  # fmt: skip


class Scenario(Table):
    """One synthetic line with its products, its surroundings and its logger."""

    title: str = Field(min_length=1)
    plant: str = ""
    alias: str = ""
    difficulty: str = ""
    notes: str = ""
    sensor: Sensor
    line: LineSpeedAndGaps
    background: BeltBackground
    object: tuple[Object, ...] = Field(min_length=1)
    interference: Interference = Interference()
    drift: Drift = Drift()
    faults: Faults = Faults()
    controller: Controller | None = None
    device: Device | None = None

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        faults = scenario_faults(self.model_dump())
        if self.sensor.beam.reach_mm > 1e5:
            faults.append("the beam must be narrower than 100 m")
        if faults:
            raise ValueError("; ".join(faults))
        return self

    @property
    def step_mm(self) -> float:
        """Travel per sample at nominal speed."""
        return self.line.speed_mm_s / self.sensor.sample_rate_hz

    @property
    def uncertainty_samples(self) -> int:
        """Half-width of the uncertainty of the truth's borders in logged samples, ``ceil(1.5 w / v · rate) + 2``."""
        import math

        return math.ceil(1.5 * self.sensor.beam.radius_mm / (self.step_mm * self.faults.logger_every)) + 2


def parse(text: str, *, source: str) -> Scenario:
    """Read a scenario from TOML text.

    Raises ScenarioError if it is not TOML; or naming every key that is unknown, missing or out of range.
    """
    tables = parse_toml(text, source, ScenarioError)
    try:
        return Scenario.model_validate(tables)
    except ValidationError as faults:
        raise refusal(source, faults, tables) from faults


def _shipped() -> dict[str, Path]:
    return {path.stem: path for path in sorted((datasets_root() / "scenarios").glob("*.toml"))}


def scenario_names() -> tuple[str, ...]:
    """Return the names of the scenarios that ship, in alphabetic order."""
    return tuple(_shipped())


def aliases() -> dict[str, str]:
    """Return short second names of shipped scenarios, alias to name, in the order of the names."""
    return {alias: name for name in scenario_names() if (alias := load_scenario(name).alias)}


def load_scenario(name_or_path: str | Path) -> Scenario:
    """Load a scenario by name, by alias, or from a TOML file.

    Raises ScenarioError if there is no scenario with this name, or the file is faulty.

    Examples
    --------
    >>> load_scenario("demo").sensor.sample_rate_hz
    1000.0
    """
    text, source = scenario_text(name_or_path)
    return parse(text, source=source)


def scenario_text(name_or_path: str | Path) -> tuple[str, str]:
    """Return the TOML text of a scenario and its source (name, or file name)."""
    wanted = str(name_or_path)
    path = Path(wanted)
    if path.suffix.lower() == ".toml" or path.is_file():
        return read_text(path, "a scenario in TOML", ScenarioError), path.name
    shipped = _shipped()
    if wanted not in shipped:
        by_alias = aliases()
        if wanted.lower() not in by_alias:
            raise ScenarioError(_unknown(wanted, [*shipped, *by_alias]))
        wanted = by_alias[wanted.lower()]
    return shipped[wanted].read_text(encoding="utf-8"), wanted


def key_reference() -> str:
    """Return the page that describes every table and key, with units, defaults and usual ranges, in Markdown."""
    return Path(__file__).with_name("SCENARIOS.md").read_text(encoding="utf-8")


def _unknown(wanted: str, known: list[str]) -> str:
    from difflib import get_close_matches

    near = get_close_matches(wanted, known, n=1)
    hint = f" Did you mean {near[0]!r}?" if near else ""
    return f"no scenario is called {wanted!r}.{hint} There are: {', '.join(known)}; or give a .toml file."
