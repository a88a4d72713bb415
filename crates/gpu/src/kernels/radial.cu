// Radial functions J_n(k r), scaled by e^+debye(n, k a) so that single precision holds them.

struct Rings {
    int bars, rings, frequencies;
    int ratios;             // rows of the table of ratios
    int shear;
    int last;               // highest order sent
    size_t table;           // values of one bar
};

// Neper that a term may stand below the largest before it is left out: 5e-12.
#define CUT_NP 26.0
#define MARGIN_NP 20.0
#define NOUGHT 1e-20

// Last order that counts at x = k r inside a bar whose surface lies at y = k a.
DEVICE int last_order(double x, double y, int highest) {
    int low = 0, high = highest;
    while (low < high) {
        int middle = (low + high) / 2;
        if (debye(middle + 1.0, x) - debye(middle + 1.0, y) < CUT_NP) low = middle + 1;
        else high = middle;
    }
    return low;
}

// Order from which Miller's recurrence must start so that `last` comes out right.
DEVICE int miller_start(int last, double x) {
    double from = fmax((double)last, x);
    double target = debye(from, x) + MARGIN_NP;
    int low = (int)ceil(from), width = 8;
    while (debye(low + width, x) < target) {
        low += width;
        width *= 2;
    }
    int high = low + width;
    while (low < high) {
        int middle = (low + high) / 2;
        if (debye(middle, x) < target) low = middle + 1;
        else high = middle;
    }
    return max(high, 2);
}

// Once down the orders. The first time for the scale, from e^-ix = J_0 + 2 sum (-i)^n J_n or, without losses,
// 1 = J_0 + 2 sum J_2n; the second time with it, writing.
template <bool LOSSY, bool WRITE, class Out>
DEVICE C descend(C x, const double* ratios, int stride, int start, C first, int last, Out out) {
    C two_over = c(2.0, 0.0) / x;
    C here = first, above = c(0.0, 0.0);
    C sum = LOSSY || start % 2 == 0 ? here : c(0.0, 0.0);
    double rho_above = 0.0;
    if (WRITE && start <= last) out(start, here);
    for (int n = start; n >= 1; n--) {
        double rho = ratios[(size_t)n * stride];
        double order = n;
        C below;
        if (LOSSY) {
            below = (two_over * order * here - above * rho_above) * rho;
            if (!WRITE) {
                // sum of (-i)^(m - n) J_m over m >= n, one order on.
                C moved = sum * rho;
                sum = below + c(moved.y, -moved.x);
            }
        } else {
            below = c((two_over.x * order * here.x - above.x * rho_above) * rho, 0.0);
            if (!WRITE) sum = c(sum.x * rho + (n % 2 ? below.x : 0.0), 0.0);
        }
        above = here;
        here = below;
        rho_above = rho;
        if (WRITE && n - 1 <= last) out(n - 1, here);
    }
    return sum * 2.0 - here;
}

// A thread for each bar, ring and frequency. `pitch` and `offset` say where a ring's rows lie in a bar's
// table: `table[bar][offset[ring] + f pitch[ring] + n]`.
template <bool LOSSY, class T, class Put>
DEVICE void fill(Rings r, const Bar* bars, const double* omega, const double* losses,
                 const int* highest, const double* shares, const int* pitch, const long long* offset,
                 const double* steel, T* table, Put put) {
    int f = blockIdx.x * blockDim.x + threadIdx.x;
    int ring = blockIdx.y, bar = blockIdx.z;
    if (f >= r.frequencies) return;
    Bar b = bars[bar];
    size_t at = (size_t)bar * r.frequencies + f;
    C k = wave_number(b, omega[f], losses[2 * at + r.shear], r.shear ? J_S : J_L);
    double k_size = size(k);
    C x = k * (b.radius * shares[ring]);
    double x_size = k_size * b.radius * shares[ring];
    T* row = table + (size_t)bar * r.table + offset[ring] + (size_t)f * pitch[ring];
    double level = k.y * b.radius;
    int last = 0;
    if (x_size < NOUGHT) {
        row[0] = put(c(exp(-level), 0.0));
    } else {
        last = last_order(x_size, k_size * b.radius, min(min(highest[at], r.last), pitch[ring] - 1));
        int start = min(miller_start(last, x_size), r.ratios - 1);
        const double* ratios = steel + (size_t)bar * r.ratios * r.frequencies + f;
        auto nothing = [](int, C) {};
        auto write = [&](int n, C v) { row[n] = put(v); };
        C first = c(1e-200, 0.0);
        C sum = descend<LOSSY, false>(x, ratios, r.frequencies, start, first, -1, nothing);
        // In steps: the square of the sum may leave the range.
        C factor;
        if (LOSSY) factor = expc(c(x.y - level, -x.x)) * conj(over(sum, size(sum))) * (1.0 / size(sum));
        else factor = c(exp(-level) / sum.x, 0.0);
        descend<LOSSY, true>(x, ratios, r.frequencies, start, first * factor, last, write);
    }
    for (int n = last + 1; n < pitch[ring]; n++) row[n] = put(c(0.0, 0.0));
}

extern "C" __global__ void radial_real(Rings r, const Bar* bars, const double* omega,
                                       const double* losses, const int* highest,
                                       const double* shares, const int* pitch,
                                       const long long* offset, const double* steel, float* table) {
    fill<false>(r, bars, omega, losses, highest, shares, pitch, offset, steel, table,
                [](C v) { return (float)v.x; });
}

extern "C" __global__ void radial_lossy(Rings r, const Bar* bars, const double* omega,
                                        const double* losses, const int* highest,
                                        const double* shares, const int* pitch,
                                        const long long* offset, const double* steel, float2* table) {
    fill<true>(r, bars, omega, losses, highest, shares, pitch, offset, steel, table,
               [](C v) { return make_float2((float)v.x, (float)v.y); });
}
