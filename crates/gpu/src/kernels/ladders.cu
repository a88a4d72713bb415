// Bessel and Hankel functions of all orders at one argument, each value with an exponent of its own.
//
// The same recurrences, starts and switches as `barwright_wave::harmonics`, which says where they come from.

#define FAR 25.0
#define EULER 0.5772156649015329
#define PI 3.141592653589793

struct Pair { C zero, one; };

// Hankel's expansion for order 0 or 1.
DEVICE C far_hankel(int order, C x) {
    double mu = 4.0 * order * order;
    C term = c(1.0, 0.0), sum = term;
    for (int k = 1; k < 60; k++) {
        double odd = 2.0 * k - 1.0;
        C next = (term * c(0.0, mu - odd * odd)) / (x * (8.0 * k));
        if (norm2(next) >= norm2(term)) break;
        term = next;
        sum = sum + term;
        if (norm2(term) < 1e-36) break;
    }
    C turned = x - c(order * PI / 2.0 + PI / 4.0, 0.0);
    return sqrtc(c(2.0 / PI, 0.0) / x) * expc(c(-turned.y, turned.x)) * sum;
}

DEVICE C far_bessel(int order, C x) {
    return (far_hankel(order, x) + conj(far_hankel(order, conj(x)))) * 0.5;
}

// H_0 and H_1 from Neumann's series for Y, for small arguments. J by Miller's way down, with all the sums
// taken on the way.
DEVICE Pair near_hankel(C x) {
    const int terms = 40;
    C two_over = c(2.0, 0.0) / x;
    C above = c(0.0, 0.0), here = c(1.0, 0.0);
    C sum = c(0.0, 0.0), sum0 = sum, sum1 = sum, j0 = sum, j1 = sum;
    for (int n = 150; n >= 0; n--) {
        // here is J_n in units that the end sets.
        if (n == 0) {
            sum = sum + here;
            j0 = here;
        } else {
            // e^-ix = J_0 + 2 sum (-i)^n J_n
            C turned = n % 4 == 0 ? here : n % 4 == 1 ? c(here.y, -here.x) : n % 4 == 2 ? -here : c(-here.y, here.x);
            sum = sum + 2.0 * turned;
            int k = n / 2;
            if (k >= 1 && k <= terms) {
                double sign = k % 2 ? -1.0 : 1.0;
                if (n % 2 == 0) sum0 = sum0 + here * (sign * 2.0 / k);
                else sum1 = sum1 + here * (sign * n / (k * (k + 1.0)));
            }
            if (n == 1) j1 = here;
            C next = two_over * (double)n * here - above;
            above = here;
            here = next;
            if (norm2(here) > LARGE_SQR) {
                here = here * DOWN;
                above = above * DOWN;
                sum = sum * DOWN;
                sum0 = sum0 * DOWN;
                sum1 = sum1 * DOWN;
                j1 = j1 * DOWN;
            }
        }
    }
    C factor = expc(c(x.y, -x.x)) / sum;
    j0 = j0 * factor;
    j1 = j1 * factor;
    C log_x = logc(x * 0.5) + c(EULER, 0.0);
    C y0 = (log_x * j0 - sum0 * factor) * (2.0 / PI);
    C y1 = ((log_x - c(1.0, 0.0)) * j1 - j0 / x - sum1 * factor) * (2.0 / PI);
    Pair p;
    p.zero = j0 + c(-y0.y, y0.x);
    p.one = j1 + c(-y1.y, y1.x);
    return p;
}

DEVICE Pair hankel_start(C x) {
    if (norm2(x) < FAR * FAR) return near_hankel(x);
    Pair p;
    p.zero = far_hankel(0, x);
    p.one = far_hankel(1, x);
    return p;
}

// Values of the orders of one ladder, `stride` apart.
struct Ladder {
    C* mantissa;
    int* exponent;
    int stride;
    DEVICE C m(int n) const { return mantissa[(size_t)n * stride]; }
    DEVICE int e(int n) const { return exponent[(size_t)n * stride]; }
    DEVICE C above(int n, int base) const { return m(n) * radix(e(n) - base); }
    DEVICE void set(int n, C value, int e) {
        double s = norm2(value);
        while (s > LARGE_SQR && s < CUDART_INF) { value = value * DOWN; e++; s = norm2(value); }
        while (s < SMALL_SQR && s > 0.0) { value = value * UP; e--; s = norm2(value); }
        mantissa[(size_t)n * stride] = value;
        exponent[(size_t)n * stride] = e;
    }
};

// J_n, n = 0..=highest.
DEVICE void climb_down(Ladder to, C x, int highest) {
    bool near = norm2(x) < FAR * FAR;
    double first = fmax((double)max(highest, 1), size(x));
    int start = (int)(first + 15.0 * cbrt(first) + 30.0);
    C two_over = c(2.0, 0.0) / x;
    C above = c(0.0, 0.0), here = c(1.0, 0.0), sum = c(0.0, 0.0);
    int scale = 0;
    for (int n = start - 1; n >= 0; n--) {
        C next = two_over * (n + 1.0) * here - above;
        above = here;
        here = next;
        if (norm2(here) > LARGE_SQR) {
            here = here * DOWN;
            above = above * DOWN;
            sum = sum * DOWN;
            scale++;
        }
        if (near) {
            C turned = n % 4 == 0 ? here : n % 4 == 1 ? c(here.y, -here.x) : n % 4 == 2 ? -here : c(-here.y, here.x);
            sum = sum + (n ? 2.0 : 1.0) * turned;
        }
        if (n <= highest) {
            to.mantissa[(size_t)n * to.stride] = here;
            to.exponent[(size_t)n * to.stride] = scale;
        }
    }
    C factor;
    if (near) {
        factor = expc(c(x.y, -x.x)) / sum;
    } else {
        // The larger of the two: the other may sit on a zero.
        C j0 = far_bessel(0, x), j1 = far_bessel(1, x);
        factor = norm2(j0) >= norm2(j1) ? j0 / to.m(0) : j1 / to.above(1, scale);
    }
    for (int n = 0; n <= highest; n++) to.set(n, to.m(n) * factor, to.e(n) - scale);
}

// H_n, n = 0..=highest.
DEVICE void climb_up(Ladder to, C x, int highest) {
    Pair start = hankel_start(x);
    C two_over = c(2.0, 0.0) / x;
    C below = start.zero, here = start.one;
    int scale = 0;
    to.set(0, below, 0);
    for (int n = 1; n <= highest; n++) {
        to.set(n, here, scale);
        C next = two_over * (double)n * here - below;
        below = here;
        here = next;
        if (norm2(here) > LARGE_SQR) {
            here = here * DOWN;
            below = below * DOWN;
            scale++;
        }
    }
}

// What a bar and its water are; frequencies come beside.
struct Bar {
    double radius, water, longitudinal, shear;
    double heavy;   // density of the steel over that of the water
};

struct Band {
    int bars, frequencies;
    int orders;     // rows of a ladder: highest order of all + 2
    int shear;      // 1 for S, 0 for L
    int ratios;     // rows of the table of a mode's ratios
};

enum { J_WATER, H_WATER, J_L, H_L, J_S, H_S, LADDERS };

DEVICE C wave_number(const Bar& bar, double omega, double loss, int which) {
    double v = which <= H_WATER ? bar.water : which <= H_L ? bar.longitudinal : bar.shear;
    return c(omega / v, which <= H_WATER ? 0.0 : loss);
}

DEVICE Ladder ladder_of(Band band, C* mantissa, int* exponent, int bar, int which, int f) {
    size_t at = ((size_t)bar * LADDERS + which) * band.orders * band.frequencies + f;
    Ladder l;
    l.mantissa = mantissa + at;
    l.exponent = exponent + at;
    l.stride = band.frequencies;
    return l;
}

// One thread a ladder. `highest` holds the last order solved of each bar and frequency, `losses` the
// attenuation of L and S.
extern "C" __global__ void ladders(Band band, const Bar* bars, const double* omega,
                                   const double* losses, const int* highest, C* mantissa,
                                   int* exponent) {
    int f = blockIdx.x * blockDim.x + threadIdx.x;
    int which = blockIdx.y, bar = blockIdx.z;
    if (f >= band.frequencies) return;
    size_t at = (size_t)bar * band.frequencies + f;
    double loss = losses[2 * at + (which >= J_S)];
    C k = wave_number(bars[bar], omega[f], loss, which);
    C x = k * bars[bar].radius;
    int above = highest[at] + 1;
    Ladder l = ladder_of(band, mantissa, exponent, bar, which, f);
    if (which % 2 == 0) {
        climb_down(l, x, above);
    } else if (which == H_WATER) {
        climb_up(l, x, above);
    } else {
        // Only orders that travel are asked for their outward part.
        climb_up(l, x, min((int)floor(x.x) + 1, above));
    }
}
