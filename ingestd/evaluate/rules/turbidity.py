"""Whether the tube was seen to be clear before it was read."""

from ingestd.evaluate.case import SAMPLE_LIKE, RunCase, TubeCase
from ingestd.evaluate.figures import plain
from ingestd.evaluate.observed import read_number
from ingestd.evaluate.rules.rule import HOLD, PASS, REFUSE, Parameters, Rule
from ingestd.model import Finding, Method, SitePolicy


def _parameters(method: Method, _site: SitePolicy) -> Parameters:
    limit = method.turbidity_limit_ntu
    return (
        ("check demanded", "yes" if method.turbidity_check else "no"),
        ("highest turbidity", f"{plain(limit)} NTU" if limit is not None else "not stated"),
    )


TURBIDITY = Rule(
    name="tube_clear",
    question="Was the tube seen to be clear?",
    formula="observed clear, or measured turbidity <= limit",
    outcomes=(
        ("clear, or not above the limit", PASS),
        ("not looked at, where the method demands it", HOLD),
        ("measured, and the method states no limit", HOLD),
        (
            "turbid, or above the limit: the value cannot be trusted, whichever way it leans",
            REFUSE,
        ),
    ),
    parameters=_parameters,
)

_REMEDY = (
    "a turbid tube settles sooner while warm: let it settle as the method's instructions and "
    "local safety rules allow, read it again once clear, or repeat it diluted"
)


def judge_turbidity(run: RunCase, tube: TubeCase) -> Finding | None:
    """Return whether the tube was clear, None where nobody needs to know and nobody noted it."""
    noted = run.bench.noted(tube.position, "turbidity")
    method, position = run.method, tube.position
    if noted is None:
        if not method.turbidity_check or tube.role not in SAMPLE_LIKE:
            return None
        return TURBIDITY.answer(
            HOLD,
            f"Nobody noted whether tube {position} was clear; look at it and note turbidity.",
            position=position,
            observed="not noted",
            limit="clear",
        )
    word = noted.strip().casefold()
    if word == "clear":
        return TURBIDITY.answer(
            PASS, f"Tube {position} was clear.", position=position, observed="clear", limit="clear"
        )
    if word == "turbid":
        return TURBIDITY.answer(
            REFUSE,
            f"Tube {position} was turbid; its value cannot be trusted, whichever way it leans: "
            f"{_REMEDY}.",
            position=position,
            observed="turbid",
            limit="clear",
        )
    measured, limit = read_number(noted, "turbidity"), method.turbidity_limit_ntu
    observed = f"{plain(measured)} NTU"
    if limit is None:
        return TURBIDITY.answer(
            HOLD,
            f"Tube {position} measured {observed}, but {method.name} states no limit; note clear "
            "or turbid, or give the method a limit.",
            position=position,
            observed=observed,
            limit="not stated",
        )
    allowed = f"<= {plain(limit)} NTU"
    if measured > limit:
        return TURBIDITY.answer(
            REFUSE,
            f"Tube {position} measured {observed}, above {plain(limit)} NTU; its value cannot be "
            f"trusted, whichever way it leans: {_REMEDY}.",
            position=position,
            observed=observed,
            limit=allowed,
        )
    return TURBIDITY.answer(
        PASS,
        f"Tube {position} measured {observed}, not above {plain(limit)} NTU.",
        position=position,
        observed=observed,
        limit=allowed,
    )
