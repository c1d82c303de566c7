# cython: language_level=3, cdivision=True
"""`SorptionTable.humidity`, `box_balance.advance` and saturation for one draw, to be compiled into loops over draws.

They compute what the numpy code does, equation by equation and to rounding; reasons and sources stand there. Loops
that call them have no branches, so that a compiler moves several draws by one instruction; `exp` and its like come from
the vector library of the system (glibc's libmvec) where it has one.
"""

cdef extern from *:
    """
    #include <math.h>
    #if defined(__GNUC__) && !defined(__clang__) && defined(__x86_64__) && defined(__GLIBC__)
    #if __GLIBC_PREREQ(2, 35)  /* the first that has all five in its vector library */
    #define SEVERAL_AT_ONCE __attribute__((simd("notinbranch"), const))
    SEVERAL_AT_ONCE double exp(double);
    SEVERAL_AT_ONCE double log(double);
    SEVERAL_AT_ONCE double asin(double);
    SEVERAL_AT_ONCE double expm1(double);
    SEVERAL_AT_ONCE double log1p(double);
    #if __GNUC__ >= 12  /* compiled for several generations of processors; the one that runs it chooses */
    #define FOR_EACH_PROCESSOR __attribute__((flatten, target_clones("arch=x86-64-v4", "arch=x86-64-v3", "default")))
    #endif
    #endif
    #endif
    #ifndef FOR_EACH_PROCESSOR
    #define FOR_EACH_PROCESSOR
    #endif
    """
    double exp(double) noexcept nogil
    double log(double) noexcept nogil
    double asin(double) noexcept nogil
    double expm1(double) noexcept nogil
    double log1p(double) noexcept nogil
    double sqrt(double) noexcept nogil
    double fabs(double) noexcept nogil
    double erfc(double) noexcept nogil

cdef struct Grid:
    const double *logs
    const double *rises
    double empty
    double full
    double points_per_radian

cdef struct Place:
    double log_humidity
    double steepness
    double per_loading

cdef struct Humidity:
    double humidity
    double slope

cdef struct Step:
    double loading_g_per_g
    double slow_humidity
    double loading_kept
    double retained
    double loading_by_log_conductance
    double leaked_g
    double mean_difference_kpa

cdef struct SaturationFit:
    double critical_k, critical_pa, a1, a2, a3, a4, a5, a6

cdef inline double at_least(double value, double low) noexcept nogil:
    """Return `low` also for what is no number, which would point outside a grid."""
    return value if value > low else low

cdef inline double at_most(double value, double high) noexcept nogil:
    return value if value < high else high

cdef inline double kept_within(double value, double low, double high) noexcept nogil:
    """What is no number stays so, and is seen at the end."""
    value = low if value < low else value
    return high if value > high else value

cdef inline Place place_at(Grid grid, int row, double fill_per_loading, double loading_g_per_g) noexcept nogil:
    """The part of `SorptionTable.humidity` that knows no temperature."""
    cdef Place found
    cdef double fill = at_most(at_least(loading_g_per_g * fill_per_loading, grid.empty), grid.full)
    cdef double place = asin(sqrt(fill)) * grid.points_per_radian
    cdef int cell = <int>place
    cdef double beyond = place - cell
    cdef int at = row + cell
    cdef double low = grid.logs[at], rise = grid.rises[at]
    found.log_humidity = low + beyond * (grid.logs[at + 1] - low)
    found.steepness = rise + beyond * (grid.rises[at + 1] - rise)
    found.per_loading = (0.5 * grid.points_per_radian) * fill_per_loading / sqrt(fill * (1.0 - fill))
    return found

cdef inline Humidity at_power(Place place, double power) noexcept nogil:
    """The rest of it; `power` is its law of temperature."""
    cdef Humidity found
    found.humidity = exp(place.log_humidity * power)
    found.slope = found.humidity * (place.steepness * power) * place.per_loading
    return found

cdef inline Humidity humidity_at(
    Grid grid, int row, double fill_per_loading, double loading_g_per_g, double power
) noexcept nogil:
    """As `SorptionTable.humidity`."""
    return at_power(place_at(grid, row, fill_per_loading, loading_g_per_g), power)

cdef inline Step advanced(
    double loading_g_per_g, double slow_humidity, double conductance, Humidity start, double capacity_g,
    double outside_kpa, double saturation_kpa, double days, double caught_up, double slow_pull, double small,
) noexcept nogil:
    """As `box_balance.advance`: C dy/dt = F - K y, solved over a step."""
    cdef Step end
    cdef double per_capacity = days / capacity_g
    cdef double pull = conductance * saturation_kpa + slow_pull
    cdef double leak = conductance * (outside_kpa - start.humidity * saturation_kpa)
    cdef double drive = leak + slow_pull * (slow_humidity - start.humidity)
    cdef double minus_x = at_most((-start.slope) * pull * per_capacity, -small)
    cdef double relaxing = expm1(minus_x)
    cdef double share = relaxing / minus_x
    cdef double mean_humidity = kept_within(start.humidity + drive / pull * (1.0 - share), 0.0, 1.0)
    cdef double reached = share * per_capacity
    end.mean_difference_kpa = outside_kpa - mean_humidity * saturation_kpa
    end.loading_g_per_g = loading_g_per_g + drive * reached
    end.slow_humidity = slow_humidity + (mean_humidity - slow_humidity) * caught_up
    end.loading_kept = 1.0 + relaxing
    end.retained = share
    end.loading_by_log_conductance = leak * reached
    end.leaked_g = days * conductance * end.mean_difference_kpa
    return end

cdef inline double saturation_pa(SaturationFit water, double kelvin, double per_kelvin) noexcept nogil:
    """As `saturation_vapor_pressure_pa`."""
    cdef double th = fabs(1.0 - kelvin / water.critical_k)
    cdef double root = sqrt(th), th2 = th * th
    cdef double series = th * (
        water.a1 + water.a2 * root
        + th2 * (water.a3 + water.a4 * root + water.a5 * th + water.a6 * root * (th2 * th2))
    )
    return water.critical_pa * exp(series * water.critical_k * per_kelvin)
