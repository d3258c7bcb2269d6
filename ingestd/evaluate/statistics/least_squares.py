"""The least-squares solution of a design, exact: coefficients, their spread, the residuals.

The normal equations are solved in ratios of integers. In binary floating point that is the
worst way (it loses every digit of a polynomial of tenth degree); in exact arithmetic it is the
shortest, and a calibration has few points. Roots are taken once, at the end.

Source: NIST StRD linear regression sets reproduce to every certified digit
(tests/ingestd/evaluate/data/regression.csv).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from ingestd.evaluate.rounding import Number, exact
from ingestd.evaluate.statistics.spread import mean, square_root

Row = tuple[Fraction, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A fitted design.

    Attributes:
        coefficients: in the order of the design's columns, exact.
        inverse: inverse of the normal matrix; times the residual variance it is the
            covariance of the coefficients.
        points: number of observations.
        residual_squares: sum of squared residuals, exact.
        total_squares: sum of squares about the mean, or about zero without an intercept.

    """

    coefficients: Row
    inverse: tuple[Row, ...]
    points: int
    residual_squares: Fraction
    total_squares: Fraction

    @property
    def df(self) -> int:
        """Residual degrees of freedom: points less coefficients."""
        return self.points - len(self.coefficients)

    @property
    def residual_variance(self) -> Fraction:
        """Residual sum of squares over its degrees of freedom, exact.

        Raises:
            ValueError: there are no more points than coefficients.

        """
        if self.df == 0:
            raise ValueError(
                f"{self.points} points fix {len(self.coefficients)} coefficients exactly and "
                "leave nothing to judge the scatter by; measure at least one more"
            )
        return self.residual_squares / self.df

    @property
    def residual_sd(self) -> Decimal:
        """Residual standard deviation, in the unit of the observations."""
        return square_root(self.residual_variance)

    @property
    def coefficient_sds(self) -> tuple[Decimal, ...]:
        """Standard deviation of each coefficient."""
        variance = self.residual_variance
        return tuple(
            square_root(variance * self.inverse[i][i]) for i in range(len(self.coefficients))
        )

    @property
    def r_squared(self) -> Fraction:
        """Share of the observations' sum of squares that the fit explains, exact.

        Raises:
            ValueError: all observations are alike, so there is nothing to explain.

        """
        if self.total_squares == 0:
            raise ValueError("all observations are alike; no coefficient of determination exists")
        return 1 - self.residual_squares / self.total_squares

    def value_at(self, terms: Sequence[Number]) -> Fraction:
        """Return the fitted value for one row of the design, exact."""
        pairs = zip(self.coefficients, terms, strict=True)
        return sum((c * exact(t) for c, t in pairs), Fraction(0))

    def leverage(self, terms: Sequence[Number]) -> Fraction:
        """Return the variance of the fitted value in units of the residual variance, exact."""
        row = tuple(map(exact, terms))
        return sum(
            (
                row[i] * self.inverse[i][j] * row[j]
                for i in range(len(row))
                for j in range(len(row))
            ),
            Fraction(0),
        )


def fit_design(
    design: Sequence[Sequence[Number]], observed: Sequence[Number], *, intercept: bool
) -> Fit:
    """Return the exact least-squares fit of observed = design x coefficients.

    Args:
        design: one row per observation, one term per coefficient; a constant, if wanted, is a
            column of ones.
        observed: one number per row.
        intercept: the design holds a constant, so that squares are counted about the mean.

    Raises:
        ValueError: lengths differ, there are fewer points than coefficients, or the columns
            cannot be told apart (as when all concentrations are alike).

    """
    rows = [tuple(map(exact, row)) for row in design]
    values = tuple(map(exact, observed))
    if len(rows) != len(values):
        raise ValueError(f"{len(rows)} rows of the design but {len(values)} observations")
    width = len(rows[0]) if rows else 0
    if width == 0 or any(len(row) != width for row in rows):
        raise ValueError("each row of the design needs the same terms, at least one")
    if len(rows) < width:
        raise ValueError(f"{len(rows)} points cannot fix {width} coefficients; measure more")
    normal = [
        [sum((row[i] * row[j] for row in rows), Fraction(0)) for j in range(width)]
        for i in range(width)
    ]
    moments = [
        sum((row[i] * value for row, value in zip(rows, values, strict=True)), Fraction(0))
        for i in range(width)
    ]
    inverse = _inverse(normal)
    coefficients = tuple(
        sum((inverse[i][j] * moments[j] for j in range(width)), Fraction(0)) for i in range(width)
    )
    centre = mean(values) if intercept else Fraction(0)
    residuals = (
        value - sum((c * t for c, t in zip(coefficients, row, strict=True)), Fraction(0))
        for row, value in zip(rows, values, strict=True)
    )
    return Fit(
        coefficients=coefficients,
        inverse=inverse,
        points=len(rows),
        residual_squares=sum((residual**2 for residual in residuals), Fraction(0)),
        total_squares=sum(((value - centre) ** 2 for value in values), Fraction(0)),
    )


def fit_polynomial(x: Sequence[Number], y: Sequence[Number], order: int) -> Fit:
    """Return the exact fit of y = c0 + c1 x + ... of an order; coefficients from c0 upwards.

    Raises:
        ValueError: the order is below 1, lengths differ, there are too few points, or too few
            different x.

    """
    if order < 1:
        raise ValueError(f"a polynomial of order {order} asked for; at least 1 is needed")
    return fit_design([powers(value, order) for value in x], y, intercept=True)


def powers(x: Number, order: int) -> Row:
    """Return 1, x, x squared ... up to the order: one row of a polynomial's design."""
    base = exact(x)
    return tuple(base**exponent for exponent in range(order + 1))


def _inverse(matrix: Sequence[Sequence[Fraction]]) -> tuple[Row, ...]:
    """Return the inverse of a square matrix by elimination; in exact numbers any pivot serves."""
    size = len(matrix)
    work = [[*row, *(Fraction(int(i == j)) for j in range(size))] for i, row in enumerate(matrix)]
    for column in range(size):
        # A normal matrix of full rank is positive definite: every pivot is above zero, so a
        # zero says that this column is a combination of those before it.
        pivot = work[column][column]
        if pivot == 0:
            raise ValueError(
                f"coefficient {column + 1} cannot be told from those before it: its terms add "
                "nothing (are the levels all alike, or fewer than the coefficients?)"
            )
        work[column] = [entry / pivot for entry in work[column]]
        for row in range(size):
            factor = work[row][column]
            if row != column and factor != 0:
                work[row] = [
                    entry - factor * lead
                    for entry, lead in zip(work[row], work[column], strict=True)
                ]
    return tuple(tuple(row[size:]) for row in work)
