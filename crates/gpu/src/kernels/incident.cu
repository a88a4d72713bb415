// Angular orders of apertures, times the bar's answer: what each drive sends into the bar.

struct Source {
    double radius, angle;   // about the bar's axis
    double weight, delay;
};

struct Drives {
    int frequencies, orders;
    int last;               // highest order wanted
    int shear;
    int items;
};

#define TILE 8

// A block for each frequency and item, a thread for up to SOURCES sources. The upward recurrence of H_n runs
// on values scaled by e^-debye(n, ka), whose ratios are the same for all sources.
//
// `sent[item][f][0]` holds the orders n, `[1]` the orders -n, each times the pulse's spectrum.
template <int SOURCES>
DEVICE void send(Drives d, const Bar* bars, const int* bar_of, const int* first_source,
                 const Source* sources, const double* omega, const double* scales,
                 const float2* strengths, const C* inside, const double* water, float2* sent) {
    extern __shared__ double shared[];
    __shared__ double total[TILE * 4];
    int f = blockIdx.x, item = blockIdx.y, lane = threadIdx.x, threads = blockDim.x;
    int bar = bar_of[item];
    double k = omega[f] / bars[bar].water;
    int from = first_source[item], count = first_source[item + 1] - from;
    C here[SOURCES], up[SOURCES], turn[SOURCES], step[SOURCES];
    double two_over[SOURCES];
#pragma unroll
    for (int p = 0; p < SOURCES; p++) {
        int s = lane + p * threads;
        here[p] = up[p] = c(0.0, 0.0);
        turn[p] = step[p] = c(1.0, 0.0);
        two_over[p] = 0.0;
        if (s < count) {
            Source src = sources[from + s];
            double x = k * src.radius;
            Pair start = hankel_start(c(x, 0.0));
            // i/4 is the strength of a unit line source.
            C factor = expc(c(0.0, omega[f] * src.delay)) * c(0.0, 0.25 * src.weight * scales[item]);
            here[p] = start.zero * factor;
            up[p] = start.one * factor;
            sincos(-src.angle, &step[p].y, &step[p].x);
            two_over[p] = 2.0 / x;
        }
    }
    const double* ratio = water + ((size_t)bar * d.frequencies + f) * d.orders;
    const C* own = inside + ((size_t)bar * d.frequencies + f) * d.orders;
    float2 strength = strengths[f];
    float2* to = sent + ((size_t)item * d.frequencies + f) * 2 * (d.last + 1);
    int pitch = threads + 1;
    int parts = threads / (TILE * 4);
    // up is of order 1, not yet scaled.
    double g_up = d.orders > 1 ? ratio[1] : 1.0;
#pragma unroll
    for (int p = 0; p < SOURCES; p++) up[p] = up[p] * g_up;
    for (int n0 = 0; n0 <= d.last; n0 += TILE) {
#pragma unroll
        for (int u = 0; u < TILE; u++) {
            int n = n0 + u;
            double fr = 0.0, fi = 0.0, br = 0.0, bi = 0.0;
            double g_next = n + 2 < d.orders ? ratio[n + 2] : 1.0;
#pragma unroll
            for (int p = 0; p < SOURCES; p++) {
                double rr = here[p].x * turn[p].x, ii = here[p].y * turn[p].y;
                double ri = here[p].x * turn[p].y, ir = here[p].y * turn[p].x;
                fr += rr - ii;
                fi += ri + ir;
                br += rr + ii;
                bi += ir - ri;
                // H_(n+2) from H_(n+1) and H_n.
                double a = two_over[p] * (n + 1.0) * g_next, b = g_up * g_next;
                C next = up[p] * a - here[p] * b;
                here[p] = up[p];
                up[p] = next;
                turn[p] = turn[p] * step[p];
            }
            g_up = g_next;
            double* row = shared + u * 4 * pitch + lane;
            row[0] = fr;
            row[pitch] = fi;
            row[2 * pitch] = br;
            row[3 * pitch] = bi;
        }
        __syncthreads();
        {
            int sum_at = lane / parts, part = lane % parts;
            const double* row = shared + sum_at * pitch + part * (TILE * 4);
            double sum = 0.0;
#pragma unroll 8
            for (int i = 0; i < TILE * 4; i++) sum += row[i];
            for (int across = parts / 2; across > 0; across /= 2)
                sum += __shfl_xor_sync(0xffffffffu, sum, across);
            if (part == 0) total[sum_at] = sum;
        }
        __syncthreads();
        if (lane < 2 * TILE) {
            int u = lane >> 1, side = lane & 1, n = n0 + u;
            if (n <= d.last) {
                C a = c(total[u * 4 + 2 * side], total[u * 4 + 2 * side + 1]);
                C v = n < d.orders ? own[n] * a : c(0.0, 0.0);
                v = v * c(strength.x, strength.y);
                // Coefficients are even in the order for L, odd for S; the signs of H_-n and J_-n cancel.
                if (side && d.shear) v = -v;
                to[side * (d.last + 1) + n] = make_float2((float)v.x, (float)v.y);
            }
        }
    }
}

#define SEND(COUNT)                                                                               \
    extern "C" __global__ void send_##COUNT(                                                      \
        Drives d, const Bar* bars, const int* bar_of, const int* first_source,                   \
        const Source* sources, const double* omega, const double* scales,                        \
        const float2* strengths, const C* inside, const double* water, float2* sent) {           \
        send<COUNT>(d, bars, bar_of, first_source, sources, omega, scales, strengths, inside,    \
                    water, sent);                                                                 \
    }
SEND(1)
SEND(2)
SEND(4)
SEND(8)
