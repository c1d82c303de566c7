# cython: language_level=3, boundscheck=False, wraparound=False, cdivision=True, initializedcheck=False
"""The filter through bins with one sensor, from one weighing to the next: what `kalman` does bin by bin, compiled.

A few draws at a time go through all bins, loop after loop, without the interpreter's lock. Equations and names are
those of `kalman`, `disturbances` and `observations`, in this order, to rounding; reasons and sources stand there.
"""

from monitor.physics.balance_step cimport (
    Grid, Humidity, Step, advanced, at_least, at_most, erfc, exp, expm1, fabs, humidity_at, kept_within, log, log1p, sqrt,
)

cdef extern from *:
    """
    #ifndef SOURCES_SHA256
    #define SOURCES_SHA256 ""
    #endif
    struct filter_run;
    FOR_EACH_PROCESSOR static void filter_some(const struct filter_run *, Py_ssize_t, Py_ssize_t, Py_ssize_t);
    """
    const char *SOURCES_SHA256

sources_sha256 = SOURCES_SHA256.decode()
"""Of the files that this was compiled from."""

cdef enum:  # rows of the state, of what is constant for a draw, and of what acts in a bin, as `compiled_run` stacks them
    LOADING, WANDER, SLOW_HUMIDITY, VAR_LOADING, COVARIANCE, VAR_WANDER, LEAKED_G, DOSE_KPA_DAYS, LOG_CONDUCTANCE, EVENT_G
    VAR_SLOW, SLOW_WITH_LOADING, SLOW_WITH_WANDER, STATE_ROWS

cdef enum:
    FILL_PER_LOADING, NEARLY_FULL, DRY_MASS_G, SLOW_G, SLOW_LAG_DAYS, BIAS
    MEAN_LOG_CONDUCTANCE, LOG_CHANGE_FACTOR, CHANGE_DAY, CHANGE_DURATION_DAYS, CONSTANT_ROWS

cdef enum:
    DAYS, OUTSIDE_KPA, SATURATION_KPA, SATURATED_AIR_G_PER_LITER, MIDDLE_DAY, SETTLING, SHOWN, NOISE, CENSORED
    OPENINGS, SWAPS, STEP_SIZE, REPLACED, SWAPPED_HUMIDITY, SWAPPED_SD, POWER, BIN_ROWS

cdef enum:
    SOME = 64  # draws. Judgement: what is kept of so many lies in the processor's nearest cache
    TERMS = 9  # of an asymptotic series: the next is below 1e-15 from 20 standard deviations on

cdef double LOG_SQRT_2PI = 0.9189385332046727  # ln of the square root of 2π, exact to the last digit of a double
cdef double SQRT_HALF = 0.7071067811865476  # exact to the last digit of a double
cdef double FAR_TAIL = -20.0  # standard deviations. Judgement: erfc is far from underflow there, and the series good

cdef struct Errors:  # the model of errors, and constants of `observations` and `disturbances`
    double drift_days, drift_var, unknown_share, unknown_g_per_g, student_degrees
    double opening_sd_g, swap_least_sd_g, swapped_humidity, swapped_humidity_sd, swapped_g_per_humidity, seating_var
    double flattest, steepest, least_humidity_per_g, small, volume_liter
    bint has_change_point, at_once

cdef struct Run "filter_run":
    Grid grid
    Errors errors
    const int *grid_row
    const double *constants
    const double *bins
    double *state
    double *log_likelihood
    Py_ssize_t draw_count
    Py_ssize_t bin_count

cdef struct Draws:
    int count
    const int *grid_row
    const double *constant[CONSTANT_ROWS]
    double state[STATE_ROWS][SOME]
    double log_likelihood[SOME]
    double caught_up[SOME]
    double slow_pull[SOME]
    double before[SOME]
    double humidity[SOME]
    double slope[SOME]
    double loading_kept[SOME]
    double by_wander[SOME]
    double loading_by_slow[SOME]
    double slow_by_loading[SOME]
    double slow_by_slow[SOME]
    double slow_by_wander[SOME]
    bint spools_were_swapped


def run(
    dict grid, const double[::1] logs, const double[::1] rises, Errors errors, const int[::1] grid_row,
    const double[:, ::1] constants, const double[:, ::1] bins, double[:, ::1] state, double[::1] log_likelihood,
    Py_ssize_t first, Py_ssize_t stop,
):
    """Run the filter through the bins from `first` to before `stop`; `state` and `log_likelihood` change in place."""
    if state.shape[0] != STATE_ROWS or constants.shape[0] != CONSTANT_ROWS or bins.shape[0] != BIN_ROWS:
        raise ValueError("rows are stacked for another version of the compiled filter")
    if not 0 <= first <= stop <= bins.shape[1]:
        raise ValueError(f"there are {bins.shape[1]} bins, not {stop}")
    if not state.shape[1] == constants.shape[1] == grid_row.shape[0] == log_likelihood.shape[0]:
        raise ValueError("state and constants are of different draws")
    cdef Run it
    it.grid = Grid(&logs[0], &rises[0], grid["empty"], grid["full"], grid["points_per_radian"])
    it.errors, it.draw_count, it.bin_count = errors, state.shape[1], bins.shape[1]
    it.grid_row, it.constants, it.bins = &grid_row[0], &constants[0, 0], &bins[0, 0]
    it.state, it.log_likelihood = &state[0, 0], &log_likelihood[0]
    cdef Py_ssize_t from_draw = 0
    with nogil:
        while from_draw < it.draw_count:
            filter_some(&it, from_draw, first, stop)
            from_draw += SOME


cdef void filter_some "filter_some"(
    const Run *it, Py_ssize_t from_draw, Py_ssize_t first, Py_ssize_t stop
) noexcept nogil:
    cdef Draws some
    cdef int row, k
    cdef Py_ssize_t i
    cdef double days = 0.0
    some.count = <int>min(it.draw_count - from_draw, <Py_ssize_t>SOME)
    some.grid_row = it.grid_row + from_draw
    for row in range(CONSTANT_ROWS):
        some.constant[row] = it.constants + row * it.draw_count + from_draw
    for row in range(STATE_ROWS):
        for k in range(some.count):
            some.state[row][k] = it.state[row * it.draw_count + from_draw + k]
    for k in range(some.count):
        some.log_likelihood[k] = it.log_likelihood[from_draw + k]
    some.spools_were_swapped = False
    for k in range(some.count):
        some.spools_were_swapped |= some.state[VAR_SLOW][k] > 0.0
    for i in range(first, stop):
        if it.errors.has_change_point:
            apply_change_point(&some, it, i)
        if days != it.bins[i]:
            days = it.bins[i]  # DAYS are the first row
            catch_up(&some, days)
        predict(&some, it, i)
        if of_bin(it, OPENINGS, i) + of_bin(it, SWAPS, i) + of_bin(it, STEP_SIZE, i) > 0.0:
            disturb(&some, it, i)
        if of_bin(it, REPLACED, i) > 0.0:
            swap_spools(&some, it, i)
        if of_bin(it, SHOWN, i) == of_bin(it, SHOWN, i):  # else nothing was seen
            update_by_reading(&some, it, i)
    for row in range(STATE_ROWS):
        for k in range(some.count):
            it.state[row * it.draw_count + from_draw + k] = some.state[row][k]
    for k in range(some.count):
        it.log_likelihood[from_draw + k] = some.log_likelihood[k]


cdef inline double of_bin(const Run *it, int row, Py_ssize_t i) noexcept nogil:
    return it.bins[row * it.bin_count + i]


cdef inline double saturated_air_g(const Run *it, Py_ssize_t i) noexcept nogil:
    return it.errors.volume_liter * of_bin(it, SATURATED_AIR_G_PER_LITER, i)


cdef inline void apply_change_point(Draws *some, const Run *it, Py_ssize_t i) noexcept nogil:
    cdef double middle = of_bin(it, MIDDLE_DAY, i), days = of_bin(it, DAYS, i), took, share
    cdef int k
    for k in range(some.count):
        took = at_least(some.constant[CHANGE_DURATION_DAYS][k], days)
        share = kept_within((middle - some.constant[CHANGE_DAY][k]) / took + 0.5, 0.0, 1.0)
        some.state[LOG_CONDUCTANCE][k] = (
            some.constant[MEAN_LOG_CONDUCTANCE][k] + share * some.constant[LOG_CHANGE_FACTOR][k]
        )
        some.state[LEAKED_G][k] = 0.0 if share < 0.5 else some.state[LEAKED_G][k]
        some.state[DOSE_KPA_DAYS][k] = 0.0 if share < 0.5 else some.state[DOSE_KPA_DAYS][k]


cdef inline void catch_up(Draws *some, double days) noexcept nogil:
    """As `DrawnBox.catching_up`."""
    cdef int k
    for k in range(some.count):
        some.caught_up[k] = -expm1(-days / some.constant[SLOW_LAG_DAYS][k])
        some.slow_pull[k] = some.constant[SLOW_G][k] * some.caught_up[k] / days


cdef inline void look_up(Draws *some, const Run *it, Py_ssize_t i, const double *loading) noexcept nogil:
    cdef double power = of_bin(it, POWER, i)
    cdef Humidity found
    cdef int k
    for k in range(some.count):
        found = humidity_at(it.grid, some.grid_row[k], some.constant[FILL_PER_LOADING][k], loading[k], power)
        some.humidity[k], some.slope[k] = found.humidity, found.slope


cdef inline void predict(Draws *some, const Run *it, Py_ssize_t i) noexcept nogil:
    cdef double days = of_bin(it, DAYS, i), outside_kpa = of_bin(it, OUTSIDE_KPA, i)
    cdef double saturation_kpa = of_bin(it, SATURATION_KPA, i), air_g = saturated_air_g(it, i)
    cdef Humidity start
    cdef Step end
    cdef int k
    look_up(some, it, i, some.state[LOADING])
    if some.spools_were_swapped:
        find_slow_tangents(some, it, i)
    for k in range(some.count):
        start.humidity, start.slope = some.humidity[k], some.slope[k]
        end = advanced(
            some.state[LOADING][k], some.state[SLOW_HUMIDITY][k],
            exp(some.state[LOG_CONDUCTANCE][k] + some.state[WANDER][k]),
            start, some.constant[DRY_MASS_G][k] + air_g * start.slope,
            outside_kpa, saturation_kpa, days, some.caught_up[k], some.slow_pull[k], it.errors.small,
        )
        some.before[k] = some.state[LOADING][k]
        some.state[LOADING][k] = kept_within(end.loading_g_per_g, it.grid.empty, some.constant[NEARLY_FULL][k])
        some.state[SLOW_HUMIDITY][k] = end.slow_humidity
        some.loading_kept[k], some.by_wander[k] = end.loading_kept, end.loading_by_log_conductance
        some.state[LEAKED_G][k] += fabs(end.leaked_g)
        some.state[DOSE_KPA_DAYS][k] += days * fabs(end.mean_difference_kpa)
    predict_errors(some, it, i)


cdef inline void find_slow_tangents(Draws *some, const Run *it, Py_ssize_t i) noexcept nogil:
    """As `slow_tangents`, of the step that is to come."""
    cdef double days = of_bin(it, DAYS, i), outside_kpa = of_bin(it, OUTSIDE_KPA, i)
    cdef double saturation_kpa = of_bin(it, SATURATION_KPA, i), air_g = saturated_air_g(it, i)
    cdef double conductance, capacity_g, pull, reached, catching, caught_up, slow_pull
    cdef Humidity start
    cdef Step end
    cdef int k
    for k in range(some.count):
        start.humidity, start.slope = some.humidity[k], some.slope[k]
        conductance = exp(some.state[LOG_CONDUCTANCE][k] + some.state[WANDER][k])
        capacity_g = some.constant[DRY_MASS_G][k] + air_g * start.slope
        caught_up, slow_pull = some.caught_up[k], some.slow_pull[k]
        end = advanced(
            some.state[LOADING][k], some.state[SLOW_HUMIDITY][k], conductance, start, capacity_g,
            outside_kpa, saturation_kpa, days, caught_up, slow_pull, it.errors.small,
        )
        pull = conductance * saturation_kpa + slow_pull
        reached, catching = end.retained * (days / capacity_g), caught_up * (1.0 - end.retained) / pull
        some.loading_by_slow[k] = slow_pull * reached
        some.slow_by_loading[k] = caught_up * start.slope * end.retained
        some.slow_by_slow[k] = 1.0 - caught_up + slow_pull * catching
        some.slow_by_wander[k] = end.loading_by_log_conductance / reached * catching


cdef inline void predict_slow_errors(Draws *some, double wander_kept) noexcept nogil:
    """As in `kalman._predict`, before the other errors move; what slow humidity adds to theirs comes with it."""
    cdef double var_loading, covariance, var_wander, var_slow, with_loading, with_wander
    cdef double by_loading, by_slow, by_wander, kept, by_wander_of_loading, loading_by_slow
    cdef double of_loading, of_wander, of_slow, end_with_loading, end_with_wander, end_with_slow
    cdef int k
    for k in range(some.count):
        var_loading, covariance = some.state[VAR_LOADING][k], some.state[COVARIANCE][k]
        var_wander, var_slow = some.state[VAR_WANDER][k], some.state[VAR_SLOW][k]
        with_loading, with_wander = some.state[SLOW_WITH_LOADING][k], some.state[SLOW_WITH_WANDER][k]
        kept, by_wander_of_loading = some.loading_kept[k], some.by_wander[k]
        loading_by_slow, by_loading = some.loading_by_slow[k], some.slow_by_loading[k]
        by_slow, by_wander = some.slow_by_slow[k], some.slow_by_wander[k]
        of_loading = kept * var_loading + by_wander_of_loading * covariance + loading_by_slow * with_loading
        of_wander = kept * covariance + by_wander_of_loading * var_wander + loading_by_slow * with_wander
        of_slow = kept * with_loading + by_wander_of_loading * with_wander + loading_by_slow * var_slow
        end_with_loading = by_loading * var_loading + by_wander * covariance + by_slow * with_loading
        end_with_wander = by_loading * covariance + by_wander * var_wander + by_slow * with_wander
        end_with_slow = by_loading * with_loading + by_wander * with_wander + by_slow * var_slow
        some.state[SLOW_WITH_LOADING][k] = by_loading * of_loading + by_wander * of_wander + by_slow * of_slow
        some.state[SLOW_WITH_WANDER][k] = wander_kept * end_with_wander
        some.state[VAR_SLOW][k] = by_loading * end_with_loading + by_wander * end_with_wander + by_slow * end_with_slow
        # what this adds to the errors of the loading: to its variance, and to its covariance before that is kept
        some.loading_by_slow[k], some.slow_by_slow[k] = (
            loading_by_slow * (kept * with_loading + by_wander_of_loading * with_wander + of_slow),
            loading_by_slow * with_wander,
        )


cdef inline void predict_errors(Draws *some, const Run *it, Py_ssize_t i) noexcept nogil:
    cdef double days = of_bin(it, DAYS, i), settling = of_bin(it, SETTLING, i)
    cdef double wander_kept = exp(-days / it.errors.drift_days)
    cdef double new_wander = it.errors.drift_var * (1.0 - wander_kept * wander_kept)
    cdef double share_var = it.errors.unknown_share * it.errors.unknown_share / days
    cdef double always_var = it.errors.unknown_g_per_g * it.errors.unknown_g_per_g * days
    cdef double settling_var = settling * settling * days
    cdef double kept, by_wander, slope, of_loading, of_wander
    cdef int k
    if some.spools_were_swapped:
        predict_slow_errors(some, wander_kept)
    for k in range(some.count):
        kept, by_wander = some.loading_kept[k], some.by_wander[k]
        slope = at_least(some.slope[k], it.errors.flattest)
        of_loading = kept * some.state[VAR_LOADING][k] + by_wander * some.state[COVARIANCE][k]
        of_wander = kept * some.state[COVARIANCE][k] + by_wander * some.state[VAR_WANDER][k]
        some.state[VAR_LOADING][k] = kept * of_loading + by_wander * of_wander + (
            share_var * (by_wander * by_wander) + always_var + settling_var / (slope * slope)
        )
        some.state[COVARIANCE][k] = wander_kept * of_wander
        some.state[VAR_WANDER][k] = (wander_kept * wander_kept) * some.state[VAR_WANDER][k] + new_wander
        some.state[WANDER][k] = wander_kept * some.state[WANDER][k]
    if some.spools_were_swapped:
        for k in range(some.count):
            some.state[VAR_LOADING][k] += some.loading_by_slow[k]
            some.state[COVARIANCE][k] += wander_kept * some.slow_by_slow[k]


cdef inline void disturb(Draws *some, const Run *it, Py_ssize_t i) noexcept nogil:
    cdef double openings = of_bin(it, OPENINGS, i), swaps = of_bin(it, SWAPS, i), step = of_bin(it, STEP_SIZE, i)
    cdef double room = of_bin(it, OUTSIDE_KPA, i) / of_bin(it, SATURATION_KPA, i), air_g = saturated_air_g(it, i)
    cdef double per_swapped_g = 1.0 / it.errors.swapped_g_per_humidity, at_once = 1.0 if it.errors.at_once else 0.0
    cdef double capacity_g, per_g, dose_g, most_g, opening_sd_g, swap_sd_g, per_humidity, spread, swap_g, swap_var, moved
    cdef int k
    look_up(some, it, i, some.state[LOADING])
    for k in range(some.count):
        capacity_g = some.constant[DRY_MASS_G][k] + air_g * some.slope[k]
        per_g = some.slope[k] / capacity_g
        dose_g = air_g * at_least(room - some.humidity[k], 0.0)
        most_g = it.errors.swapped_humidity_sd / at_least(per_g, it.errors.least_humidity_per_g)
        opening_sd_g, swap_sd_g = at_most(it.errors.opening_sd_g, most_g), at_most(it.errors.swap_least_sd_g, most_g)
        per_humidity = at_once / (per_swapped_g + per_g)
        swap_g = per_humidity * (it.errors.swapped_humidity - some.humidity[k])
        spread = it.errors.swapped_humidity_sd * per_humidity
        swap_var = spread * spread + swap_sd_g * swap_sd_g
        moved = step / at_least(some.slope[k], it.errors.flattest)
        some.state[LOADING][k] = kept_within(
            some.state[LOADING][k] + openings * dose_g / capacity_g + swaps * swap_g / capacity_g,
            it.grid.empty, some.constant[NEARLY_FULL][k],
        )
        some.state[VAR_LOADING][k] += moved * moved + (
            (openings * (opening_sd_g * opening_sd_g) + swaps * swap_var) / (capacity_g * capacity_g)
        )
        some.state[VAR_WANDER][k] += (openings + swaps) * it.errors.seating_var


cdef inline void swap_spools(Draws *some, const Run *it, Py_ssize_t i) noexcept nogil:
    """As `swap_of` and `swap_spools`, with the humidity looked up before the openings of the bin."""
    cdef double days = of_bin(it, DAYS, i), replaced = of_bin(it, REPLACED, i), air_g = saturated_air_g(it, i)
    cdef double humidity = of_bin(it, SWAPPED_HUMIDITY, i), var = of_bin(it, SWAPPED_SD, i) * of_bin(it, SWAPPED_SD, i)
    cdef double capacity_g, together, x, gone, stays, loading, rise, left, drawn_off, var_slow, with_loading
    cdef int k
    for k in range(some.count):
        capacity_g = some.constant[DRY_MASS_G][k] + air_g * some.slope[k]
        together = 1.0 + some.constant[SLOW_G][k] * some.slope[k] / capacity_g
        x = together * days / some.constant[SLOW_LAG_DAYS][k]
        gone = (1.0 + expm1(-x) / x) / together
        stays, loading = 1.0 - gone, some.constant[SLOW_G][k] * gone / capacity_g
        rise = replaced * (humidity - some.state[SLOW_HUMIDITY][k])
        left, drawn_off = 1.0 - replaced * stays, replaced * loading
        var_slow = some.state[VAR_SLOW][k]
        with_loading = some.state[SLOW_WITH_LOADING][k] - drawn_off * var_slow
        some.state[LOADING][k] = kept_within(
            some.state[LOADING][k] + loading * rise, it.grid.empty, some.constant[NEARLY_FULL][k]
        )
        some.state[SLOW_HUMIDITY][k] += stays * rise
        some.state[VAR_LOADING][k] += loading * loading * var - drawn_off * (
            some.state[SLOW_WITH_LOADING][k] + with_loading
        )
        some.state[COVARIANCE][k] -= drawn_off * some.state[SLOW_WITH_WANDER][k]
        some.state[SLOW_WITH_LOADING][k] = left * with_loading + loading * stays * var
        some.state[SLOW_WITH_WANDER][k] *= left
        some.state[VAR_SLOW][k] = left * left * var_slow + stays * stays * var
    some.spools_were_swapped = True


cdef inline void update_by_reading(Draws *some, const Run *it, Py_ssize_t i) noexcept nogil:
    cdef double halfway[SOME]
    cdef double predicted[SOME]
    cdef int k
    for k in range(some.count):
        halfway[k] = 0.5 * (some.before[k] + some.state[LOADING][k])
        predicted[k] = some.state[LOADING][k]
    look_up(some, it, i, halfway)
    if of_bin(it, CENSORED, i) > 0.0:
        update_at_or_below(some, it, i)
    else:
        update_by_value(some, it, i)
    if of_bin(it, SWAPS, i) + of_bin(it, STEP_SIZE, i) > 0.0:
        for k in range(some.count):
            some.state[EVENT_G][k] += (some.state[LOADING][k] - predicted[k]) * some.constant[DRY_MASS_G][k]


cdef inline void update_by_value(Draws *some, const Run *it, Py_ssize_t i) noexcept nogil:
    """By an error with the tails of Student's t, as `_student`."""
    cdef double shown = of_bin(it, SHOWN, i), noise = of_bin(it, NOISE, i), degrees = it.errors.student_degrees
    cdef double slope, variance, gap, square, weight
    cdef int k
    for k in range(some.count):
        slope = at_most(some.slope[k], it.errors.steepest)
        variance = slope * (slope * some.state[VAR_LOADING][k]) + noise
        gap = shown - some.humidity[k] - some.constant[BIAS][k]
        square = gap * gap / variance
        some.log_likelihood[k] += -0.5 * log(variance) - (0.5 * (degrees + 1.0)) * log1p(square * (1.0 / degrees))
        weight = at_most((degrees + 1.0) / (degrees + square), 1.0)
        update(some, it, k, weight * gap, weight * variance, slope, variance)


cdef inline void update_at_or_below(Draws *some, const Run *it, Py_ssize_t i) noexcept nogil:
    """By a bound: moments of a normal cut off above, as `_at_or_below`."""
    cdef double shown = of_bin(it, SHOWN, i), noise = of_bin(it, NOISE, i)
    cdef double slope, variance, sd, z, score, inverse_mills
    cdef int k
    for k in range(some.count):
        slope = at_most(some.slope[k], it.errors.steepest)
        variance = slope * (slope * some.state[VAR_LOADING][k]) + noise
        sd = sqrt(variance)
        z = (shown - some.humidity[k] - some.constant[BIAS][k]) / sd
        score = log_normal_below(z)
        inverse_mills = exp(-0.5 * z * z - LOG_SQRT_2PI - score)
        some.log_likelihood[k] += score
        update(some, it, k, -sd * inverse_mills, inverse_mills * (inverse_mills + z) * variance, slope, variance)


cdef inline void update(
    Draws *some, const Run *it, int k, double innovation, double removed_variance, double slope, double variance
) noexcept nogil:
    cdef double by_loading = slope * some.state[VAR_LOADING][k] / variance
    cdef double by_wander = slope * some.state[COVARIANCE][k] / variance
    cdef double by_variance = by_loading * removed_variance
    if some.spools_were_swapped:
        update_slow(some, k, innovation, removed_variance, slope, variance)
    some.state[LOADING][k] = kept_within(
        some.state[LOADING][k] + by_loading * innovation, it.grid.empty, some.constant[NEARLY_FULL][k]
    )
    some.state[WANDER][k] += by_wander * innovation
    some.state[VAR_LOADING][k] -= by_loading * by_variance
    some.state[COVARIANCE][k] -= by_wander * by_variance
    some.state[VAR_WANDER][k] -= by_wander * by_wander * removed_variance


cdef inline void update_slow(
    Draws *some, int k, double innovation, double removed_variance, double slope, double variance
) noexcept nogil:
    cdef double by_loading = slope * some.state[VAR_LOADING][k] / variance
    cdef double by_wander = slope * some.state[COVARIANCE][k] / variance
    cdef double by_slow = slope * some.state[SLOW_WITH_LOADING][k] / variance
    cdef double moved = at_least(by_slow * innovation, -some.state[SLOW_HUMIDITY][k])
    some.state[SLOW_HUMIDITY][k] += moved
    some.state[EVENT_G][k] += moved * some.constant[SLOW_G][k]
    some.state[SLOW_WITH_LOADING][k] -= by_slow * by_loading * removed_variance
    some.state[SLOW_WITH_WANDER][k] -= by_slow * by_wander * removed_variance
    some.state[VAR_SLOW][k] = at_least(some.state[VAR_SLOW][k] - by_slow * by_slow * removed_variance, 0.0)


cdef double log_normal_below(double z) noexcept nogil:
    """Return ln of the standard normal distribution [1]_; where erfc would underflow, by its asymptotic series [2]_.

    .. [1] Abramowitz, Stegun (1964), Handbook of Mathematical Functions, 26.2.29 with 7.1.2.
    .. [2] The same, 7.1.23.
    """
    if z > 0.0:
        return log1p(-0.5 * erfc(z * SQRT_HALF))
    if z > FAR_TAIL:
        return log(0.5 * erfc(-z * SQRT_HALF))
    cdef double term = 1.0, total = 0.0
    cdef int m
    for m in range(1, TERMS + 1):
        term *= -(2 * m - 1) / (z * z)
        total += term
    return -0.5 * z * z - LOG_SQRT_2PI - log(-z) + log1p(total)


def log_ndtr(double z):
    """Return ln of the standard normal distribution; a test holds it against scipy's."""
    return log_normal_below(z)
