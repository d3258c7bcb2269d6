"""The invented laboratory that the tests of plans are worked in."""

from pathlib import Path

from ingestd.model import SitePolicy
from ingestd.plan.known_inputs import KnownInputs
from ingestd.plan.plan_file import PlanItems, read_plan_file

FIXTURES = Path(__file__).parents[3] / "fixtures" / "plan"
DATA = Path(__file__).parent / "data"

POLICY = SitePolicy(time_zone="Europe/Vienna")


def waterworks() -> PlanItems:
    data = (FIXTURES / "waterworks" / "plan.toml").read_bytes()
    return read_plan_file(data, "plan.toml", POLICY)


def waterworks_book() -> KnownInputs:
    items = waterworks()
    return KnownInputs(
        methods={method.name: method for method in items.methods},
        lots={lot.lot: lot for lot in items.kit_lots},
        standards={standard.lot: standard for standard in items.control_standards},
        samples={sample.code: sample for sample in items.samples},
        instruments={instrument.name: instrument for instrument in items.instruments},
        points={point.code: point for point in items.sampling_points},
    )


BOOK = waterworks_book()
