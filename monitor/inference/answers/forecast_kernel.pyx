# cython: language_level=3, boundscheck=False, wraparound=False, cdivision=True, initializedcheck=False
"""Futures of a box step by step: what `simulation` does with numpy, compiled.

A few draws at a time go through all steps, loop after loop, without the interpreter's lock. Equations and names are
those of `simulation`, in this order, to rounding; reasons and sources stand there.
"""

from monitor.physics.balance_step cimport (
    Grid, Humidity, Place, SaturationFit, Step, advanced, at_least, at_most, at_power, exp, expm1, kept_within,
    place_at, saturation_pa, sqrt,
)

cdef extern from *:
    """
    #ifndef SOURCES_SHA256
    #define SOURCES_SHA256 ""
    #endif
    #ifdef __GNUC__
    #define PREFETCH(address) __builtin_prefetch(address)
    #else
    #define PREFETCH(address)
    #endif
    struct simulation_run;
    FOR_EACH_PROCESSOR static void simulate_some(const struct simulation_run *, Py_ssize_t, Py_ssize_t, Py_ssize_t);
    """
    const char *SOURCES_SHA256
    void PREFETCH(const void *address) noexcept nogil

sources_sha256 = SOURCES_SHA256.decode()
"""Of the files that this was compiled from."""

cdef enum:  # rows of the state, of what is constant for a draw, of random numbers, as `compiled_simulation` stacks them
    LOADING, SLOW_HUMIDITY, WANDER, AJAR, HUMIDITY, SLOPE, CROSSING_DAYS, SPENT_DAYS, STATE_ROWS

cdef enum:
    FILL_PER_LOADING, NEARLY_FULL, DRY_MASS_G, SLOW_G, SLOW_LAG_DAYS, LOG_CONDUCTANCE
    OPENINGS_PER_DAY, EVENTS_PER_DAY, SWAPPED_HUMIDITY, FULL_LOADING, CONSTANT_ROWS

cdef enum:
    OF_LOADING, OF_WANDER, OF_OPENINGS, OF_EVENTS, OF_LID, OF_SPOOLS, CHANCE_ROWS

cdef enum:
    SOME = 128  # draws. Judgement: what is kept of so many lies in the processor's nearest cache

cdef struct Errors:  # the model of errors, and constants of `simulation`, `disturbances` and `saturation`
    double drift_days, drift_sd, unknown_share, unknown_g_per_g, seating_sd
    double badly_seated, ajar_log_conductance, ajar_days
    double opening_sd_g, swap_least_sd_g, swapped_humidity_sd, swapped_g_per_humidity, least_humidity_per_g
    double swapped_share
    double most_a_step, least_rise, limit, small, volume_liter
    double above_room_degc, coldest_degc, warmest_degc, kelvin_at_0_degc, reference_k, g_per_liter_kpa_k
    bint future_events, wandering_leak, by_potential

cdef struct Run "simulation_run":
    Grid grid
    Errors errors
    SaturationFit water
    const int *grid_row
    const double *constants
    const double *ends
    const double *outside_kpa
    const double *room_degc
    const float *chances
    double *state
    double *course
    Py_ssize_t draw_count
    Py_ssize_t step_count

cdef struct Draws:
    int count
    const int *grid_row
    const double *constant[CONSTANT_ROWS]
    double state[STATE_ROWS][SOME]
    double saturation_kpa[SOME]
    double air_g[SOME]
    double power[SOME]
    double log_humidity[SOME]
    double steepness[SOME]
    double per_loading[SOME]
    double humidity[SOME]
    double slope[SOME]
    double caught_up[SOME]
    double slow_pull[SOME]
    double retained[SOME]
    double retained_squared[SOME]
    double noise[SOME]
    double opened[SOME]
    double swapped[SOME]
    double no_opening[SOME]
    double no_event[SOME]


def run(
    dict grid, const double[::1] logs, const double[::1] rises, Errors errors, SaturationFit water,
    const int[::1] grid_row, const double[:, ::1] constants, const double[::1] ends, const double[:, ::1] outside_kpa,
    const double[:, ::1] room_degc, const float[:, :, ::1] chances, double[:, ::1] state, double[:, ::1] course,
    Py_ssize_t first, Py_ssize_t stop,
):
    """Simulate the steps from `first` to before `stop`; `state` and `course` change in place."""
    cdef Py_ssize_t draws = state.shape[1], steps = ends.shape[0]
    if state.shape[0] != STATE_ROWS or constants.shape[0] != CONSTANT_ROWS or chances.shape[0] != CHANCE_ROWS:
        raise ValueError("rows are stacked for another version of the compiled forecast")
    if not 0 <= first <= stop <= steps:
        raise ValueError(f"there are {steps} steps, not {stop}")
    if not draws == constants.shape[1] == grid_row.shape[0] == chances.shape[2] == course.shape[1]:
        raise ValueError("state and constants are of different draws")
    if not draws == outside_kpa.shape[1] == room_degc.shape[1]:
        raise ValueError("state and room are of different draws")
    if not steps == outside_kpa.shape[0] == room_degc.shape[0] == chances.shape[1] == course.shape[0]:
        raise ValueError("room, random numbers and course are of different steps")
    cdef Run it
    it.grid = Grid(&logs[0], &rises[0], grid["empty"], grid["full"], grid["points_per_radian"])
    it.errors, it.water, it.draw_count, it.step_count = errors, water, draws, steps
    it.grid_row, it.constants, it.ends = &grid_row[0], &constants[0, 0], &ends[0]
    it.outside_kpa, it.room_degc, it.chances = &outside_kpa[0, 0], &room_degc[0, 0], &chances[0, 0, 0]
    it.state, it.course = &state[0, 0], &course[0, 0]
    cdef Py_ssize_t from_draw = 0
    with nogil:
        while from_draw < draws:
            simulate_some(&it, from_draw, first, stop)
            from_draw += SOME


def follow(double[::1] now, const double[:, ::1] humidity, const double[:, ::1] caught_up, double[:, ::1] begins):
    """As `leak_line` has it, step after step: how `now` is at the start of each, then a share nearer to the humidity."""
    cdef Py_ssize_t draws = now.shape[0], steps = humidity.shape[0], i, k
    if not draws == humidity.shape[1] == caught_up.shape[1] == begins.shape[1]:
        raise ValueError("humidity and what follows it are of different draws")
    if not steps == caught_up.shape[0] == begins.shape[0]:
        raise ValueError("humidity and shares are of different steps")
    for i in range(steps):
        for k in range(draws):
            begins[i, k] = now[k]
            now[k] += caught_up[i, k] * (humidity[i, k] - now[k])


cdef void simulate_some "simulate_some"(
    const Run *it, Py_ssize_t from_draw, Py_ssize_t first, Py_ssize_t stop
) noexcept nogil:
    cdef Draws some
    cdef int row, k
    cdef Py_ssize_t i
    cdef double days = 0.0, before
    some.count = <int>min(it.draw_count - from_draw, <Py_ssize_t>SOME)
    some.grid_row = it.grid_row + from_draw
    for row in range(CONSTANT_ROWS):
        some.constant[row] = it.constants + row * it.draw_count + from_draw
    for row in range(STATE_ROWS):
        for k in range(some.count):
            some.state[row][k] = it.state[row * it.draw_count + from_draw + k]
    place(&some, it)
    for i in range(first, stop):
        before = it.ends[i - 1] if i > 0 else 0.0
        if days != it.ends[i] - before:
            days = it.ends[i] - before
            wait(&some, it, days)
        if i + 1 < stop:
            prefetch(&some, it, i + 1, from_draw)
        weather(&some, it, i * it.draw_count + from_draw)
        leak(&some, it, i * it.draw_count + from_draw, days)
        if it.errors.future_events:
            count_events(&some, it, i, from_draw, days)
            if it.errors.swapped_share > 0.0:
                swap_spools(&some, it, i, from_draw, days)
            disturb(&some, it, i, from_draw, days)
        scatter(&some, it, i, from_draw, days)
        pass_limit(&some, it, i * it.draw_count + from_draw, before, days)
    for row in range(STATE_ROWS):
        for k in range(some.count):
            it.state[row * it.draw_count + from_draw + k] = some.state[row][k]


cdef inline void wait(Draws *some, const Run *it, double days) noexcept nogil:
    """What steps of one length have in common: as `DrawnBox.catching_up`, and the chances of no event."""
    cdef double most = it.errors.most_a_step
    cdef int k
    for k in range(some.count):
        some.caught_up[k] = -expm1(-days / some.constant[SLOW_LAG_DAYS][k])
        some.slow_pull[k] = some.constant[SLOW_G][k] * some.caught_up[k] / days
        some.no_opening[k] = exp(-at_most(some.constant[OPENINGS_PER_DAY][k] * days, most))
        some.no_event[k] = exp(-at_most(some.constant[EVENTS_PER_DAY][k] * days, most))


cdef inline void prefetch(const Draws *some, const Run *it, Py_ssize_t i, Py_ssize_t from_draw) noexcept nogil:
    """Have what the next step reads fetched while this one is worked on: its rows lie too far apart to be foreseen."""
    cdef Py_ssize_t at = i * it.draw_count + from_draw
    cdef int row, k
    for k in range(0, some.count, 8):  # doubles: 64 bytes, a line of the cache of nearly all processors
        PREFETCH(it.outside_kpa + at + k)
        PREFETCH(it.room_degc + at + k)
    for row in range(OF_SPOOLS):  # those few draws that have a swap read theirs as it comes
        for k in range(0, some.count, 16):  # floats, as many bytes
            PREFETCH(chances_of(it, row, i, from_draw) + k)


cdef inline const float *chances_of(const Run *it, int row, Py_ssize_t i, Py_ssize_t from_draw) noexcept nogil:
    return it.chances + (row * it.step_count + i) * it.draw_count + from_draw


cdef inline void weather(Draws *some, const Run *it, Py_ssize_t at) noexcept nogil:
    """As `air_states` and `SorptionTable.power`."""
    cdef const double *room_degc = it.room_degc + at
    cdef double degc, kelvin, per_kelvin
    cdef int k
    for k in range(some.count):
        degc = kept_within(room_degc[k] + it.errors.above_room_degc, it.errors.coldest_degc, it.errors.warmest_degc)
        kelvin = degc + it.errors.kelvin_at_0_degc
        per_kelvin = 1.0 / kelvin
        some.saturation_kpa[k] = 1e-3 * saturation_pa(it.water, kelvin, per_kelvin)
        some.air_g[k] = it.errors.volume_liter * it.errors.g_per_liter_kpa_k * some.saturation_kpa[k] * per_kelvin
        some.power[k] = it.errors.reference_k * per_kelvin if it.errors.by_potential else 1.0


cdef inline void place(Draws *some, const Run *it) noexcept nogil:
    """Where on its isotherm a draw is: the end of a step and the start of the next differ in temperature alone."""
    cdef Place found
    cdef int k
    for k in range(some.count):
        found = place_at(it.grid, some.grid_row[k], some.constant[FILL_PER_LOADING][k], some.state[LOADING][k])
        some.log_humidity[k], some.steepness[k] = found.log_humidity, found.steepness
        some.per_loading[k] = found.per_loading


cdef inline void look_up(Draws *some) noexcept nogil:
    cdef Place place
    cdef Humidity found
    cdef int k
    for k in range(some.count):
        place.log_humidity, place.steepness = some.log_humidity[k], some.steepness[k]
        place.per_loading = some.per_loading[k]
        found = at_power(place, some.power[k])
        some.humidity[k], some.slope[k] = found.humidity, found.slope


cdef inline void leak(Draws *some, const Run *it, Py_ssize_t at, double days) noexcept nogil:
    cdef const double *outside_kpa = it.outside_kpa + at
    cdef double share_var = it.errors.unknown_share * it.errors.unknown_share / days
    cdef double always_var = it.errors.unknown_g_per_g * it.errors.unknown_g_per_g * days
    cdef Humidity start
    cdef Step end
    cdef double by_conductance
    cdef int k
    look_up(some)
    for k in range(some.count):
        start.humidity, start.slope = some.humidity[k], some.slope[k]
        end = advanced(
            some.state[LOADING][k], some.state[SLOW_HUMIDITY][k],
            exp(some.constant[LOG_CONDUCTANCE][k] + some.state[WANDER][k] + some.state[AJAR][k]),
            start, some.constant[DRY_MASS_G][k] + some.air_g[k] * start.slope,
            outside_kpa[k], some.saturation_kpa[k], days, some.caught_up[k], some.slow_pull[k], it.errors.small,
        )
        some.state[LOADING][k] = end.loading_g_per_g
        some.state[SLOW_HUMIDITY][k] = end.slow_humidity
        by_conductance = end.loading_by_log_conductance
        some.retained[k] = end.retained
        some.retained_squared[k] = 0.5 * end.retained * (1.0 + end.loading_kept)
        some.noise[k] = share_var * (by_conductance * by_conductance) + always_var * some.retained_squared[k]
        some.opened[k], some.swapped[k] = 0.0, 0.0


cdef inline void count_events(
    Draws *some, const Run *it, Py_ssize_t i, Py_ssize_t from_draw, double days
) noexcept nogil:
    cdef double most = it.errors.most_a_step
    count(
        some.count, chances_of(it, OF_OPENINGS, i, from_draw), some.no_opening,
        some.constant[OPENINGS_PER_DAY], days, most, some.opened,
    )
    count(
        some.count, chances_of(it, OF_EVENTS, i, from_draw), some.no_event,
        some.constant[EVENTS_PER_DAY], days, most, some.swapped,
    )


cdef inline void count(
    int draws, const float *chance, const double *none, const double *per_day, double days, double most, double *counts
) noexcept nogil:
    """As `poisson_counts`, all draws at once until each has its count; `counts` begins with none."""
    cdef double share[SOME]
    cdef double below[SOME]
    cdef long long left = 0, more
    cdef double mean, number = 0.0
    cdef int k
    for k in range(draws):
        share[k] = below[k] = none[k]
        left |= chance[k] >= none[k]
    while left:
        left, number = 0, number + 1.0
        for k in range(draws):
            more = (chance[k] >= below[k]) & (share[k] > 0.0)
            mean = at_most(per_day[k] * days, most)
            counts[k] += 1.0 if more else 0.0
            share[k] *= mean / number
            below[k] += share[k]
            left |= more


cdef inline void swap_spools(
    Draws *some, const Run *it, Py_ssize_t i, Py_ssize_t from_draw, double days
) noexcept nogil:
    """As `swap_of`; few draws have one in a step."""
    cdef const float *of_spools = chances_of(it, OF_SPOOLS, i, from_draw)
    cdef double kept_of_one = 1.0 - it.errors.swapped_share
    cdef double capacity_g, per_g, together, x, gone, kept, left, spread, before, came, conductance, left_in
    cdef int k
    for k in range(some.count):
        if some.swapped[k] == 0.0:
            continue
        capacity_g = some.constant[DRY_MASS_G][k] + some.air_g[k] * some.state[SLOPE][k]
        per_g = some.state[SLOPE][k] / capacity_g
        together = 1.0 + some.constant[SLOW_G][k] * per_g
        x = together * days / some.constant[SLOW_LAG_DAYS][k]
        gone = (1.0 + expm1(-x) / x) / together
        kept, left = 1.0, some.swapped[k]
        while left > 0.0:
            kept, left = kept * kept_of_one, left - 1.0
        spread = it.errors.swapped_share * sqrt((1.0 - kept * kept) / (1.0 - kept_of_one * kept_of_one))
        before = some.state[SLOW_HUMIDITY][k]
        came = before + (1.0 - kept) * (some.constant[SWAPPED_HUMIDITY][k] - before)
        came = at_least(came + spread * it.errors.swapped_humidity_sd * of_spools[k], 0.0) - before
        conductance = exp(some.constant[LOG_CONDUCTANCE][k] + some.state[WANDER][k] + some.state[AJAR][k])
        x = at_least(conductance * some.saturation_kpa[k] * days * per_g, it.errors.small)
        left_in = -expm1(-x) / x
        some.state[LOADING][k] += left_in * came * (some.constant[SLOW_G][k] * gone / capacity_g)
        some.state[SLOW_HUMIDITY][k] += (1.0 - gone) * came


cdef inline void disturb(Draws *some, const Run *it, Py_ssize_t i, Py_ssize_t from_draw, double days) noexcept nogil:
    cdef const double *outside_kpa = it.outside_kpa + i * it.draw_count + from_draw
    cdef const float *chance = chances_of(it, OF_LID, i, from_draw)
    cdef double per_swapped_g = 1.0 / it.errors.swapped_g_per_humidity
    cdef double unnoticed = exp(-days / it.errors.ajar_days)
    cdef double capacity_g, per_capacity, per_g, dose_g, most_g, opening_sd_g, swap_sd_g, per_humidity, spread, swap_g, grams, var
    cdef double as_before, anew, of_lid, events
    cdef double badly_seated = it.errors.badly_seated, wide = it.errors.ajar_log_conductance
    cdef double at_once = 0.0 if it.errors.swapped_share > 0.0 else 1.0
    cdef int k
    for k in range(some.count):
        capacity_g = some.constant[DRY_MASS_G][k] + some.air_g[k] * some.state[SLOPE][k]
        per_capacity = 1.0 / capacity_g
        per_g = some.state[SLOPE][k] * per_capacity
        dose_g = some.air_g[k] * at_least(outside_kpa[k] / some.saturation_kpa[k] - some.state[HUMIDITY][k], 0.0)
        most_g = it.errors.swapped_humidity_sd / at_least(per_g, it.errors.least_humidity_per_g)
        opening_sd_g, swap_sd_g = at_most(it.errors.opening_sd_g, most_g), at_most(it.errors.swap_least_sd_g, most_g)
        per_humidity = at_once / (per_swapped_g + per_g)
        swap_g = per_humidity * (some.constant[SWAPPED_HUMIDITY][k] - some.state[HUMIDITY][k])
        spread = it.errors.swapped_humidity_sd * per_humidity
        grams = some.opened[k] * dose_g + some.swapped[k] * swap_g
        var = some.opened[k] * (opening_sd_g * opening_sd_g) + some.swapped[k] * (spread * spread + swap_sd_g * swap_sd_g)
        some.state[LOADING][k] += some.retained[k] * grams * per_capacity
        some.noise[k] += some.retained_squared[k] * var * (per_capacity * per_capacity)
        as_before, of_lid = some.state[AJAR][k], chance[k]
        as_before = as_before if of_lid < unnoticed else 0.0
        anew = wide if of_lid < badly_seated else 0.0
        events = some.opened[k] + some.swapped[k]
        some.state[AJAR][k] = anew if events > 0.0 else as_before


cdef inline void scatter(Draws *some, const Run *it, Py_ssize_t i, Py_ssize_t from_draw, double days) noexcept nogil:
    cdef const float *of_loading = chances_of(it, OF_LOADING, i, from_draw)
    cdef const float *of_wander = chances_of(it, OF_WANDER, i, from_draw)
    cdef double kept = exp(-days / it.errors.drift_days), seating_var = it.errors.seating_sd * it.errors.seating_sd
    cdef double drift_var = it.errors.drift_sd * it.errors.drift_sd * (1.0 - kept * kept), loading, var
    cdef int k
    for k in range(some.count):
        loading = some.state[LOADING][k] + sqrt(some.noise[k]) * of_loading[k]
        some.state[LOADING][k] = kept_within(loading, it.grid.empty, some.constant[NEARLY_FULL][k])
    if it.errors.wandering_leak:
        for k in range(some.count):
            var = drift_var + (some.opened[k] + some.swapped[k]) * seating_var
            some.state[WANDER][k] = kept * some.state[WANDER][k] + sqrt(var) * of_wander[k]


cdef inline void pass_limit(Draws *some, const Run *it, Py_ssize_t at, double before, double days) noexcept nogil:
    cdef double *course = it.course + at
    cdef double limit = it.errors.limit, rise, share, passed, crossing
    cdef int k
    place(some, it)
    look_up(some)
    for k in range(some.count):
        rise = at_least(some.humidity[k] - some.state[HUMIDITY][k], it.errors.least_rise)
        share = kept_within((limit - some.state[HUMIDITY][k]) / rise, 0.0, 1.0)
        passed = before + days * share
        crossing = some.state[CROSSING_DAYS][k]
        some.state[CROSSING_DAYS][k] = passed if crossing > before + days and some.humidity[k] > limit else crossing
        crossing = some.state[SPENT_DAYS][k]
        passed = before + days
        some.state[SPENT_DAYS][k] = (
            passed if crossing > passed and some.state[LOADING][k] > some.constant[FULL_LOADING][k] else crossing
        )
        some.state[HUMIDITY][k], some.state[SLOPE][k] = some.humidity[k], some.slope[k]
        course[k] = some.humidity[k]
