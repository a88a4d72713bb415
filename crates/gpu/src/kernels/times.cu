// From the spectra at a place to its envelope, and the envelope's peak.
//
// TIMES, TIME_RADICES, TIME_LANES and PLACES (columns of a block) come from the host; ANGLES as before.

// A column holds its first samples once more after its last, so that a stretch of them needs no turning
// round; an odd length keeps columns on different banks.
#define AGAIN 16
#define TIME_ROOM (TIMES + AGAIN + 1)
#define TIME_THREADS (TIME_LANES * PLACES)
#define TAPS 16
// Threads that follow a peak together, and places between two samples at which they look.
#define GROUP (TIME_LANES < 32 ? TIME_LANES : 32)
#define PARTS (GROUP / 2)
// Local maxima of the samples lower than this share of the largest square are not followed between the
// samples, and a sample this little below a neighbour may have a top of its own: as `peaks.rs` of wave.
#define CONTEND 0.7f
#define LEVEL 0.94f
// Factors by which the square at the top of a shoulder, or of a peak, may exceed its sample's, or what a
// parabola says.
#define RISE 1.1f
#define DOUBT 1.2f

DEVICE float over_group(float v) {
#pragma unroll
    for (int across = GROUP / 2; across > 0; across /= 2)
        v = fmaxf(v, __shfl_xor_sync(0xffffffffu, v, across, GROUP));
    return v;
}

// The largest over all threads of a column.
DEVICE float over_column(float v, float* each, int column, int lane) {
    v = over_group(v);
    if (TIME_LANES > 32) {
        const int groups = TIME_LANES / GROUP;
        __syncthreads();
        if (lane % GROUP == 0) each[column * groups + lane / GROUP] = v;
        __syncthreads();
        for (int g = 0; g < groups; g++) v = fmaxf(v, each[column * groups + g]);
    }
    return v;
}

struct Times {
    int frequencies, rings;
    int wanted, sector;     // angles wanted, and the first
    int first;              // number of the first task
};

// A block for PLACES angles of one task; `peaks[task number][m]`, `weights[part][tap]` of band-limited
// interpolation.
extern "C" __global__ void __launch_bounds__(TIME_THREADS)
    peaks(Times s, const int* tasks, const float2* rows, const float* weights, const float2* turns,
          float* found) {
    extern __shared__ float2 space[];
    __shared__ float between[PARTS * (TAPS + 1)];
    __shared__ float each[PLACES * (TIME_LANES / GROUP)];
    int thread = threadIdx.x;
    for (int i = thread; i < PARTS * TAPS; i += TIME_THREADS)
        between[i / TAPS * (TAPS + 1) + i % TAPS] = weights[i];
    int m0 = blockIdx.x * PLACES;
    {
        int column = thread % PLACES, lane = thread / PLACES;
        int m = min(m0 + column, s.wanted - 1);
        const float2* row = rows + (size_t)blockIdx.y * s.frequencies * ANGLES + (s.sector + m) % ANGLES;
        // The middle of the band goes to frequency zero, which no magnitude feels.
        int middle = s.frequencies / 2, upper = s.frequencies - middle;
        auto in = [&](int i) {
            int f = i < upper ? middle + i : i - (TIMES - middle);
            bool there = i < upper || i >= TIMES - middle;
            return there ? __ldg(row + (size_t)f * ANGLES) : f2(0.0f, 0.0f);
        };
        float2* mine = space + column * TIME_ROOM;
        auto room = [&](int i) -> float2& { return mine[i]; };
        auto out = [&](int i, float2 v) {
            mine[i] = v;
            if (i < AGAIN) mine[TIMES + i] = v;
        };
        Passes<TIMES, TIME_LANES, -1, true, 1, TIME_RADICES>::run(lane, turns, in, room, out);
    }
    __syncthreads();
    int column = thread / TIME_LANES, lane = thread % TIME_LANES;
    int own = lane % GROUP;
    const float2* signal = space + column * TIME_ROOM;
    const int EACH = TIMES / TIME_LANES;
    float sizes[EACH];
    float largest = 0.0f;
#pragma unroll
    for (int i = 0; i < EACH; i++) {
        sizes[i] = norm2(signal[lane + i * TIME_LANES]);
        largest = fmaxf(largest, sizes[i]);
    }
    largest = over_column(largest, each, column, lane);
    float best = largest;
    // Which of the threads of a warp belong to this group.
    int shift = (thread % 32) / GROUP * GROUP;
    const unsigned members = GROUP == 32 ? 0xffffffffu : (1u << (GROUP % 32)) - 1u;
    // All threads of a group look about sample `about` of a busy group: each at a part of a sample from one
    // before to one part less than one after. The square at the top.
    auto follow = [&](int about, bool busy) {
        int part = own - PARTS;
        int from = (about + (part < 0 ? -1 : 0) + 1 - TAPS / 2 + TIMES) % TIMES;
        const float* row = between + (part < 0 ? part + PARTS : part) * (TAPS + 1);
        float2 sum = f2(0.0f, 0.0f);
        if (busy) {
#pragma unroll
            for (int t = 0; t < TAPS; t++) sum = sum + signal[from + t] * row[t];
        }
        float here = norm2(sum);
        float left = __shfl_up_sync(0xffffffffu, here, 1, GROUP);
        float right = __shfl_down_sync(0xffffffffu, here, 1, GROUP);
        float bend = 2.0f * here - left - right;
        bool inner = own > 0 && own < GROUP - 1 && here >= left && here >= right && bend > 0.0f;
        if (inner) here += 0.125f * (right - left) * (right - left) / bend;
        return over_group(here);
    };
    // First the largest sample that this group holds, all groups at once: most others cannot contend then.
    {
        float most = 0.0f;
        int at = 0;
#pragma unroll
        for (int i = 0; i < EACH; i++) {
            if (sizes[i] > most) {
                most = sizes[i];
                at = lane + i * TIME_LANES;
            }
        }
        float of_group = over_group(most);
        unsigned holders = __ballot_sync(0xffffffffu, most >= of_group) >> shift & members;
        int about = __shfl_sync(0xffffffffu, at, __ffs(holders) - 1, GROUP);
        bool busy = of_group > 0.0f && of_group >= CONTEND * largest;
        best = fmaxf(best, follow(about, busy));
#pragma unroll
        for (int i = 0; i < EACH; i++)
            if (lane + i * TIME_LANES == about) sizes[i] = 0.0f;
    }
    // Which of this thread's samples may have a higher top about them.
    unsigned mine = 0;
#pragma unroll
    for (int i = 0; i < EACH; i++) {
        float here = sizes[i];
        if (here > 0.0f && here >= CONTEND * largest) {
            int j = lane + i * TIME_LANES;
            float before = norm2(signal[(j + TIMES - 1) % TIMES]), after = norm2(signal[j + 1]);
            float bend = 2.0f * here - before - after;
            bool shoulder = here < before || here <= after;
            float guess = bend > 0.0f ? 0.5f * (after - before) / bend : 0.0f;
            float most = shoulder ? here * RISE : (here + 0.25f * (after - before) * guess) * DOUBT;
            if (here >= LEVEL * before && here >= LEVEL * after && most >= best) mine |= 1u << i;
        }
    }
    while (__any_sync(0xffffffffu, mine != 0)) {
        unsigned tops = __ballot_sync(0xffffffffu, mine != 0) >> shift & members;
        bool busy = tops != 0;
        int who = busy ? __ffs(tops) - 1 : 0;
        int about = __shfl_sync(0xffffffffu, lane + (__ffs(mine) - 1) * TIME_LANES, who, GROUP);
        if (own == who) mine &= mine - 1;
        best = fmaxf(best, follow(busy ? about : 0, busy));
    }
    best = over_column(best, each, column, lane);
    if (lane == 0 && m0 + column < s.wanted)
        found[(size_t)(s.first + blockIdx.y) * s.wanted + m0 + column] = sqrtf(best);
}
