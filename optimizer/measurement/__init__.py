"""Grade, recovery and yield of a deck, with their errors.

Weights, assays and counts come in; grade, recovery and yield come out, each with its standard
error. Modules:

- `formula`, `products`: yield and recovery when the data exactly determine them;
- `reconcile`: yield and recovery from more measurements than needed;
- `balancing`: from a table of streams to one result for each test, with gaps and returned streams;
- `counting`, `sample_size`, `fundamental_error`: errors of counts and samples, and how large
  samples must be;
- `run_readings`: readings of runs with their errors, as fractions and on the logit scale;
- `joint_errors`: how the errors of grade, recovery and feed grade belong together;
- `separation`, `partition`: indices of separation, and the partition curve over density;
- `propagation`, `fit_statistics`: first-order errors, and statistics of a least-squares solution.
"""

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
from optimizer.measurement.fit_statistics import Closure
from optimizer.measurement.formula import BuiltUp, Split, build_up, two_product, weighed_recovery
from optimizer.measurement.fundamental_error import (
    fundamental_error,
    liberation_factor,
    mineral_factor,
    relative_se,
    sample_mass,
    sampling_constant,
    size_range_factor,
)
from optimizer.measurement.joint_errors import JointErrors
from optimizer.measurement.partition import (
    PartitionCurve,
    concentration_criterion,
    fit_partition,
    imperfection,
    water_band,
)
from optimizer.measurement.products import Products, n_product
from optimizer.measurement.reconcile import Reconciled, reconcile
from optimizer.measurement.run_readings import RunReadings, equivalent_count
from optimizer.measurement.sample_size import (
    SampleCount,
    count_for_grade,
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

__all__ = [
    "BuiltUp",
    "Closure",
    "JointErrors",
    "Partition",
    "PartitionCurve",
    "Products",
    "Reconciled",
    "RunReadings",
    "SampleCount",
    "Split",
    "build_up",
    "concentration_criterion",
    "count_for_grade",
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
