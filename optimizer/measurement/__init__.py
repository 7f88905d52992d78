"""Grade, recovery and yield of a deck, with their errors.

Weights, assays and counts come in; what a run achieved comes out, with a standard error for each
figure, so that everything downstream knows how far to trust it. By idea:

- `formula`, `products`: yield and recovery when the data just determine them;
- `reconcile`, `streams`: when there are more measurements than needed, or some are missing;
- `balance`, `stream_table`: a table of streams to one result a test;
- `counting`, `sample_size`, `gy`: what counting and sampling can show;
- `measured`: what runs read, with its errors, as fractions and on the logit scale;
- `separation`, `partition`: how sharply, and by density, the deck separates;
- `propagation`, `fit`: first-order errors, and least squares at its solution.
"""

from optimizer.measurement.balance import AdjustedStream, BalanceResult, balance_tests
from optimizer.measurement.counting import (
    counted_se,
    finite_interval,
    logit_moments,
    logit_reading,
    logit_reading_of,
    purity_interval,
    purity_se,
    upper_bound,
)
from optimizer.measurement.fit import Closure
from optimizer.measurement.formula import BuiltUp, Split, build_up, two_product, weighed_recovery
from optimizer.measurement.gy import (
    fundamental_error,
    liberation_factor,
    mineral_factor,
    relative_se,
    sample_mass,
    sampling_constant,
    size_range_factor,
)
from optimizer.measurement.measured import RunReadings, equivalent_count
from optimizer.measurement.partition import (
    PartitionCurve,
    concentration_criterion,
    fit_partition,
    imperfection,
    water_band,
)
from optimizer.measurement.products import Products, n_product
from optimizer.measurement.reconcile import Reconciled, reconcile
from optimizer.measurement.sample_size import (
    count_to_show_difference,
    grams,
    purity_range_limit,
    repeats_to_show_difference,
    zero_defect_count,
)
from optimizer.measurement.separation import (
    Partition,
    grade_recovery,
    implied_reject,
    partition_numbers,
    product_index,
    schulz_efficiency,
    separation_efficiency,
    sharpness_balance,
)
from optimizer.measurement.streams import StreamBalance, reconcile_streams

__all__ = [
    "AdjustedStream",
    "BalanceResult",
    "BuiltUp",
    "Closure",
    "Partition",
    "PartitionCurve",
    "Products",
    "Reconciled",
    "RunReadings",
    "Split",
    "StreamBalance",
    "balance_tests",
    "build_up",
    "concentration_criterion",
    "count_to_show_difference",
    "counted_se",
    "equivalent_count",
    "finite_interval",
    "fit_partition",
    "fundamental_error",
    "grade_recovery",
    "grams",
    "imperfection",
    "implied_reject",
    "liberation_factor",
    "logit_moments",
    "logit_reading",
    "logit_reading_of",
    "mineral_factor",
    "n_product",
    "partition_numbers",
    "product_index",
    "purity_interval",
    "purity_range_limit",
    "purity_se",
    "reconcile",
    "reconcile_streams",
    "relative_se",
    "repeats_to_show_difference",
    "sample_mass",
    "sampling_constant",
    "schulz_efficiency",
    "separation_efficiency",
    "sharpness_balance",
    "size_range_factor",
    "two_product",
    "upper_bound",
    "water_band",
    "weighed_recovery",
    "zero_defect_count",
]
