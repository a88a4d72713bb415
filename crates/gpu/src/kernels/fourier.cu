// Transforms of one fixed length in registers and shared memory: Stockham's order, radices chosen by the host.

#define DEVICE __device__ __forceinline__

DEVICE float2 f2(float x, float y) { return make_float2(x, y); }
DEVICE float2 operator+(float2 a, float2 b) { return f2(a.x + b.x, a.y + b.y); }
DEVICE float2 operator-(float2 a, float2 b) { return f2(a.x - b.x, a.y - b.y); }
DEVICE float2 operator*(float2 a, float2 b) { return f2(a.x * b.x - a.y * b.y, a.x * b.y + a.y * b.x); }
DEVICE float2 operator*(float2 a, float b) { return f2(a.x * b, a.y * b); }
DEVICE float norm2(float2 a) { return a.x * a.x + a.y * a.y; }

// Times S i.
template <int S>
DEVICE float2 quarter(float2 a) {
    return S > 0 ? f2(-a.y, a.x) : f2(a.y, -a.x);
}

// Times cos + S i sin.
template <int S>
DEVICE float2 turned(float2 a, float cos, float sin) {
    return S > 0 ? f2(a.x * cos - a.y * sin, a.x * sin + a.y * cos)
                 : f2(a.x * cos + a.y * sin, a.y * cos - a.x * sin);
}

template <int R, int S>
struct Butterfly;

template <int S>
struct Butterfly<2, S> {
    static DEVICE void run(float2* v) {
        float2 a = v[0];
        v[0] = a + v[1];
        v[1] = a - v[1];
    }
};

template <int S>
struct Butterfly<3, S> {
    static DEVICE void run(float2* v) {
        float2 sum = v[1] + v[2], off = quarter<S>((v[1] - v[2]) * 0.8660254038f);
        float2 middle = v[0] - sum * 0.5f;
        v[0] = v[0] + sum;
        v[1] = middle + off;
        v[2] = middle - off;
    }
};

template <int S>
DEVICE void four(float2& a, float2& b, float2& c, float2& d) {
    float2 p = a + c, q = a - c, r = b + d, s = quarter<S>(b - d);
    a = p + r;
    b = q + s;
    c = p - r;
    d = q - s;
}

template <int S>
struct Butterfly<4, S> {
    static DEVICE void run(float2* v) { four<S>(v[0], v[1], v[2], v[3]); }
};

template <int S>
struct Butterfly<5, S> {
    static DEVICE void run(float2* v) {
        const float c1 = 0.3090169944f, c2 = -0.8090169944f, s1 = 0.9510565163f, s2 = 0.5877852523f;
        float2 a = v[1] + v[4], b = v[2] + v[3], p = v[1] - v[4], q = v[2] - v[3];
        float2 even1 = v[0] + a * c1 + b * c2, even2 = v[0] + a * c2 + b * c1;
        float2 odd1 = quarter<S>(p * s1 + q * s2), odd2 = quarter<S>(p * s2 - q * s1);
        v[0] = v[0] + a + b;
        v[1] = even1 + odd1;
        v[4] = even1 - odd1;
        v[2] = even2 + odd2;
        v[3] = even2 - odd2;
    }
};

template <int S>
struct Butterfly<8, S> {
    static DEVICE void run(float2* v) {
        const float h = 0.7071067812f;
        four<S>(v[0], v[2], v[4], v[6]);
        four<S>(v[1], v[3], v[5], v[7]);
        // The even half lies in 0 2 4 6, the odd one in 1 3 5 7.
        float2 o1 = turned<S>(v[3], h, h), o2 = quarter<S>(v[5]), o3 = turned<S>(v[7], -h, h);
        float2 e0 = v[0], e1 = v[2], e2 = v[4], e3 = v[6], o0 = v[1];
        v[0] = e0 + o0;
        v[1] = e1 + o1;
        v[2] = e2 + o2;
        v[3] = e3 + o3;
        v[4] = e0 - o0;
        v[5] = e1 - o1;
        v[6] = e2 - o2;
        v[7] = e3 - o3;
    }
};

template <int S>
struct Butterfly<16, S> {
    static DEVICE void run(float2* v) {
        const float c1 = 0.9238795325f, s1 = 0.3826834324f, h = 0.7071067812f;
#pragma unroll
        for (int p = 0; p < 4; p++) four<S>(v[p], v[p + 4], v[p + 8], v[p + 12]);
        // v[p + 4 k] is to be turned by p k sixteenths.
        v[5] = turned<S>(v[5], c1, s1);
        v[9] = turned<S>(v[9], h, h);
        v[13] = turned<S>(v[13], s1, c1);
        v[6] = turned<S>(v[6], h, h);
        v[10] = quarter<S>(v[10]);
        v[14] = turned<S>(v[14], -h, h);
        v[7] = turned<S>(v[7], s1, c1);
        v[11] = turned<S>(v[11], -h, h);
        v[15] = turned<S>(v[15], -c1, -s1);
#pragma unroll
        for (int k = 0; k < 4; k++) four<S>(v[4 * k], v[4 * k + 1], v[4 * k + 2], v[4 * k + 3]);
        // Result k + 4 m lies in 4 k + m.
#pragma unroll
        for (int k = 0; k < 4; k++) {
#pragma unroll
            for (int m = k + 1; m < 4; m++) {
                float2 t = v[4 * k + m];
                v[4 * k + m] = v[4 * m + k];
                v[4 * m + k] = t;
            }
        }
    }
};

// One pass after another. N values, L threads, sign S of the exponent; NS is the product of the radices
// done. `in(i)` gives value i, `out(i, v)` takes result i, `room(i)` is a place in shared memory. All
// threads of the block go through together.
template <int N, int L, int S, bool SHARED_OUT, int NS, int R, int... REST>
struct Passes {
    static const int EACH = N / R;
    static const int ROUNDS = (EACH + L - 1) / L;

    template <class In, class Room, class Out>
    static DEVICE void run(int lane, const float2* turns, const In& in, const Room& room,
                           const Out& out) {
        float2 v[ROUNDS][R];
#pragma unroll
        for (int round = 0; round < ROUNDS; round++) {
            int j = lane + round * L;
            if (EACH % L == 0 || j < EACH) {
#pragma unroll
                for (int r = 0; r < R; r++) v[round][r] = in(j + r * EACH);
                if (NS > 1) {
                    float2 w = __ldg(turns + (j % NS) * (N / (NS * R)));
                    if (S < 0) w.y = -w.y;
                    float2 power[R];
                    power[1] = w;
#pragma unroll
                    for (int r = 2; r < R; r++) {
                        power[r] = r % 2 ? power[r - 1] * w : power[r / 2] * power[r / 2];
                    }
#pragma unroll
                    for (int r = 1; r < R; r++) v[round][r] = v[round][r] * power[r];
                }
                Butterfly<R, S>::run(v[round]);
            }
        }
        const bool last = sizeof...(REST) == 0;
        // What was read must be read by all before it is overwritten.
        if (NS > 1 && (!last || SHARED_OUT)) __syncthreads();
#pragma unroll
        for (int round = 0; round < ROUNDS; round++) {
            int j = lane + round * L;
            if (EACH % L == 0 || j < EACH) {
                int k = j % NS, base = (j / NS) * (NS * R) + k;
#pragma unroll
                for (int r = 0; r < R; r++) {
                    if constexpr (sizeof...(REST) == 0) out(base + r * NS, v[round][r]);
                    else room(base + r * NS) = v[round][r];
                }
            }
        }
        if constexpr (sizeof...(REST) > 0) {
            __syncthreads();
            auto next = [&](int i) { return room(i); };
            Passes<N, L, S, SHARED_OUT, NS * R, REST...>::run(lane, turns, next, room, out);
        }
    }
};
