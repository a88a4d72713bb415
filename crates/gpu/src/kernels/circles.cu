// Rings of the field: products of what was sent and the radial functions, one transform a frequency.
//
// ANGLES, CIRCLE_RADICES, CIRCLE_LANES, TOGETHER and LOSSY come from the host.

struct Circles {
    int frequencies, rings;
    int last;               // highest order sent
    size_t table;           // values of one bar's radial table
    int first;              // number of the first task
};

#if LOSSY
typedef float2 Radial;
#else
typedef float Radial;
#endif

#define CIRCLE_ROOM (ANGLES + ANGLES / 16 + 1)

// A block for TOGETHER frequencies of one task. Tasks run over rings, then over items;
// `rows[task][f][angle]`.
extern "C" __global__ void __launch_bounds__(CIRCLE_LANES* TOGETHER)
    circles(Circles s, const int* tasks, const int* bar_of, const int* pitch, const long long* offset,
            const float2* sent, const Radial* table, const float2* turns, float2* rows) {
    extern __shared__ float2 space[];
    int lane = threadIdx.x % CIRCLE_LANES, own = threadIdx.x / CIRCLE_LANES;
    int f = blockIdx.x * TOGETHER + own;
    bool there = f < s.frequencies;
    int task = tasks[s.first + blockIdx.y];
    int item = task / s.rings, ring = task % s.rings;
    int f_here = there ? f : 0;
    int width = pitch[ring];
    const Radial* radial = table + (size_t)bar_of[item] * s.table + offset[ring] + (size_t)f_here * width;
    const float2* up = sent + ((size_t)item * s.frequencies + f_here) * 2 * (s.last + 1);
    const float2* down = up + s.last + 1;
    float2* mine = space + own * CIRCLE_ROOM;
    auto in = [&](int bin) {
        float2 sum = f2(0.0f, 0.0f);
        if (there) {
            for (int n = bin; n < width; n += ANGLES) sum = sum + up[n] * radial[n];
            for (int n = ANGLES - bin; n < width; n += ANGLES) sum = sum + down[n] * radial[n];
        }
        return sum;
    };
    auto room = [&](int i) -> float2& { return mine[i + i / 16]; };
    float2* to = rows + ((size_t)blockIdx.y * s.frequencies + f_here) * ANGLES;
    auto out = [&](int i, float2 v) {
        if (there) to[i] = v;
    };
    Passes<ANGLES, CIRCLE_LANES, 1, false, 1, CIRCLE_RADICES>::run(lane, turns, in, room, out);
}
