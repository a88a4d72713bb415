// Pulse-echo at places: transmitted times received field times weights, into time, the largest envelope
// within a search. As `echo_peaks.rs` of wave.

struct Place {
    int task;               // where its ring's rows lie
    int angle;
    float row;              // between the rows of the weights
    int weights;            // first row of the item's weights, in rows
    int rows;               // how many rows they have
    int offset;             // first sample of the search
};

struct Echo {
    float amplitude, sample, sine;
};

struct Search {
    int frequencies, places;
    int count;              // samples of the search
    int headings;
    float step;             // angle between two places of a ring
};

DEVICE float2 weight_at(const float2* weights, const Place& p, int frequencies, int f) {
    float row = fminf(fmaxf(p.row, 0.0f), (float)(p.rows - 1));
    int lower = min((int)row, p.rows - 1), upper = min(lower + 1, p.rows - 1);
    float share = row - (float)lower;
    float2 a = __ldg(weights + (size_t)(p.weights + lower) * frequencies + f);
    float2 b = __ldg(weights + (size_t)(p.weights + upper) * frequencies + f);
    return a * (1.0f - share) + b * share;
}

DEVICE float log_size(float2 z) { return logf(fmaxf(norm2(z), 1e-37f)); }

// A block for PLACES places. `around[bar task][f]` is k r of each frequency, for directions.
extern "C" __global__ void __launch_bounds__(TIME_THREADS)
    echoes(Search s, const Place* places, const float2* sent, const float2* heard,
           const float2* weights, const float* around, const float2* turns, Echo* found) {
    extern __shared__ float2 space[];
    __shared__ float each[PLACES * (TIME_LANES / GROUP)];
    __shared__ float2 sums[PLACES * (TIME_LANES / GROUP)];
    int thread = threadIdx.x, p0 = blockIdx.x * PLACES;
    {
        int column = thread % PLACES, lane = thread / PLACES;
        Place p = places[min(p0 + column, s.places - 1)];
        size_t at = (size_t)p.task * s.frequencies * ANGLES + p.angle;
        auto in = [&](int i) {
            if (i >= s.frequencies) return f2(0.0f, 0.0f);
            float2 a = __ldg(sent + at + (size_t)i * ANGLES), b = __ldg(heard + at + (size_t)i * ANGLES);
            return a * b * weight_at(weights, p, s.frequencies, i);
        };
        float2* mine = space + column * TIME_ROOM;
        auto room = [&](int i) -> float2& { return mine[i]; };
        auto out = [&](int i, float2 v) { mine[i] = v; };
        Passes<TIMES, TIME_LANES, -1, true, 1, TIME_RADICES>::run(lane, turns, in, room, out);
    }
    __syncthreads();
    int column = thread / TIME_LANES, lane = thread % TIME_LANES;
    const float2* signal = space + column * TIME_ROOM;
    Place p = places[min(p0 + column, s.places - 1)];
    float best = 0.0f;
    for (int i = lane; i < s.count; i += TIME_LANES)
        best = fmaxf(best, norm2(signal[(p.offset + i) % TIMES]));
    float largest = over_column(best, each, column, lane);
    // The first sample that is as large.
    int at = s.count;
    for (int i = lane; i < s.count; i += TIME_LANES)
        if (at == s.count && norm2(signal[(p.offset + i) % TIMES]) >= largest) at = i;
    float first = -over_column(-(float)at, each, column, lane);
    float sine = 0.0f;
    if (s.headings) {
        float2 sum = f2(0.0f, 0.0f);
        size_t row = (size_t)p.task * s.frequencies * ANGLES;
        int before = (p.angle + ANGLES - 1) % ANGLES, after = (p.angle + 1) % ANGLES;
        for (int f = lane; f < s.frequencies; f += TIME_LANES) {
            const float2* values = sent + row + (size_t)f * ANGLES;
            float2 here = values[p.angle], a = values[before], b = values[after];
            float2 w = weight_at(weights, p, s.frequencies, f);
            float energy = norm2(here) * norm2(w);
            float re = a.x * here.x + a.y * here.y + here.x * b.x + here.y * b.y;
            float im = a.x * here.y - a.y * here.x + here.x * b.y - here.y * b.x;
            float wave = around[(size_t)p.task * s.frequencies + f];
            if (wave > 0.0f) {
                sum.x += energy * (atan2f(im, re) / s.step / wave);
                sum.y += energy;
            }
        }
#pragma unroll
        for (int across = GROUP / 2; across > 0; across /= 2) {
            sum.x += __shfl_xor_sync(0xffffffffu, sum.x, across, GROUP);
            sum.y += __shfl_xor_sync(0xffffffffu, sum.y, across, GROUP);
        }
        if (TIME_LANES > 32) {
            const int groups = TIME_LANES / GROUP;
            if (lane % GROUP == 0) sums[column * groups + lane / GROUP] = sum;
            __syncthreads();
            sum = f2(0.0f, 0.0f);
            for (int g = 0; g < groups; g++) sum = sum + sums[column * groups + g];
        }
        sine = sum.y > 0.0f ? fminf(fmaxf(sum.x / sum.y, -1.0f), 1.0f) : 0.0f;
    }
    if (lane != 0 || p0 + column >= s.places) return;
    Echo e;
    e.amplitude = 0.0f;
    e.sample = first;
    e.sine = sine;
    if (largest > 0.0f) {
        // A parabola through the logarithm: exact for a Gaussian.
        int j = p.offset + (int)first;
        float left = log_size(signal[(j + TIMES - 1) % TIMES]), here = log_size(signal[j % TIMES]);
        float right = log_size(signal[(j + 1) % TIMES]);
        float bend = 2.0f * here - left - right;
        float shift = bend > 0.0f ? fminf(fmaxf(0.5f * (right - left) / bend, -0.5f), 0.5f) : 0.0f;
        e.amplitude = expf(0.5f * (here + 0.25f * (right - left) * shift));
        e.sample = first + shift;
    }
    found[p0 + column] = e;
}
