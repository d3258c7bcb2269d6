"""Every rule there is, in the order a reading meets them."""

from ingestd.evaluate.concentration import READING_UNIT
from ingestd.evaluate.result import STATEMENT
from ingestd.evaluate.rules.blank import BLANK, BLANK_SUBTRACTED
from ingestd.evaluate.rules.calibrated import CALIBRATION
from ingestd.evaluate.rules.charts import CONTROL_CHART
from ingestd.evaluate.rules.completeness import COMPLETENESS
from ingestd.evaluate.rules.control_standard import CONTROL_STANDARD
from ingestd.evaluate.rules.digestion import DIGESTION
from ingestd.evaluate.rules.dilution import DILUTION_ONCE
from ingestd.evaluate.rules.duplicates import DUPLICATE
from ingestd.evaluate.rules.earlier_result import EARLIER_RESULT
from ingestd.evaluate.rules.fast_digestion import FAST_DIGESTION
from ingestd.evaluate.rules.instrument_clock import CLOCK
from ingestd.evaluate.rules.interferents import INTERFERENT
from ingestd.evaluate.rules.kit_lot import BOX_COUNT, KIT_LOT
from ingestd.evaluate.rules.measuring_range import MEASURING_RANGE
from ingestd.evaluate.rules.note import READABLE_NOTE
from ingestd.evaluate.rules.people_and_instruments import COMPETENCE, VERIFICATION
from ingestd.evaluate.rules.point_history import POINT_HISTORY
from ingestd.evaluate.rules.reading import ONE_READING, POSSIBLE, READING_TIME
from ingestd.evaluate.rules.replicates import HOMOGENISED, OUTLIER, REPLICATES, UNEVEN_PAIR
from ingestd.evaluate.rules.rule import Rule
from ingestd.evaluate.rules.spike import SPIKE
from ingestd.evaluate.rules.sum_checks import SUM_CHECKS
from ingestd.evaluate.rules.timing import COOLING, HOLDING, REACTION
from ingestd.evaluate.rules.turbidity import TURBIDITY
from ingestd.evaluate.uncertainty.own_controls import UNCERTAINTY

RULES: dict[str, Rule] = {
    rule.name: rule
    for rule in (
        ONE_READING,
        READING_TIME,
        READING_UNIT,
        DILUTION_ONCE,
        CALIBRATION,
        BLANK_SUBTRACTED,
        POSSIBLE,
        MEASURING_RANGE,
        KIT_LOT,
        BOX_COUNT,
        HOMOGENISED,
        TURBIDITY,
        INTERFERENT,
        DIGESTION,
        FAST_DIGESTION,
        COOLING,
        REACTION,
        HOLDING,
        READABLE_NOTE,
        COMPETENCE,
        VERIFICATION,
        CLOCK,
        BLANK,
        CONTROL_STANDARD,
        DUPLICATE,
        CONTROL_CHART,
        SPIKE,
        REPLICATES,
        OUTLIER,
        UNEVEN_PAIR,
        COMPLETENESS,
        STATEMENT,
        UNCERTAINTY,
        EARLIER_RESULT,
        SUM_CHECKS,
        POINT_HISTORY,
    )
}
