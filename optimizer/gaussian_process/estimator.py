"""The estimator protocol of scikit-learn, without loading scikit-learn.

Code that clones, pipes or cross-validates our models imports scikit-learn itself. A plan does not
need scikit-learn, and importing scikit-learn with its dependencies took a quarter of the time of a
plan.
"""

from __future__ import annotations

from inspect import signature
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


class Estimator:
    """A model whose parameters are the arguments of ``__init__``, stored under their own names
    (scikit-learn, Developing scikit-learn estimators)."""

    def get_params(self, deep: bool = True) -> dict[str, Any]:
        """Parameters by name; no parameter is an estimator, so ``deep`` has no effect."""
        return {name: getattr(self, name) for name in signature(type(self)).parameters}

    def set_params(self, **params: Any) -> Self:
        """Set some of the parameters.

        Raises:
            ValueError: a name is not a parameter.
        """
        known = self.get_params()
        for name, value in params.items():
            if name not in known:
                raise ValueError(f"{name!r} is not a parameter; parameters: {', '.join(known)}.")
            setattr(self, name, value)
        return self

    def __repr__(self) -> str:
        changed = (
            f"{name}={getattr(self, name)!r}"
            for name, parameter in signature(type(self)).parameters.items()
            if repr(getattr(self, name)) != repr(parameter.default)
        )
        return f"{type(self).__name__}({', '.join(changed)})"

    def __sklearn_tags__(self) -> Any:
        from sklearn.utils import InputTags, Tags, TargetTags

        return Tags(
            estimator_type=None,
            target_tags=TargetTags(required=True),
            transformer_tags=None,
            regressor_tags=None,
            classifier_tags=None,
            input_tags=InputTags(),
        )


class Regressor(Estimator):
    """An estimator that predicts a number; a subclass provides ``predict``."""

    def score(self, X: ArrayLike, y: ArrayLike, sample_weight: ArrayLike | None = None) -> float:
        """Coefficient of determination of the predictions at X, (n, d), against y, (n,)."""
        from sklearn.metrics import r2_score

        predicted = self.predict(X)  # type: ignore[attr-defined]
        return float(r2_score(y, predicted, sample_weight=sample_weight))

    def __sklearn_tags__(self) -> Any:
        from sklearn.utils import RegressorTags

        tags = super().__sklearn_tags__()
        tags.estimator_type, tags.regressor_tags = "regressor", RegressorTags()
        return tags
