// Complex numbers in double precision, and the powers of 2^256 that carry what a double cannot hold.

#define DEVICE __device__ __forceinline__

#define CUDART_INF __longlong_as_double(0x7ff0000000000000LL)

typedef double2 C;

DEVICE C c(double x, double y) { return make_double2(x, y); }
DEVICE C operator+(C a, C b) { return c(a.x + b.x, a.y + b.y); }
DEVICE C operator-(C a, C b) { return c(a.x - b.x, a.y - b.y); }
DEVICE C operator-(C a) { return c(-a.x, -a.y); }
DEVICE C operator*(C a, C b) { return c(a.x * b.x - a.y * b.y, a.x * b.y + a.y * b.x); }
DEVICE C operator*(C a, double b) { return c(a.x * b, a.y * b); }
DEVICE C operator*(double b, C a) { return c(a.x * b, a.y * b); }
DEVICE double norm2(C a) { return a.x * a.x + a.y * a.y; }
DEVICE double size(C a) { return hypot(a.x, a.y); }
DEVICE C conj(C a) { return c(a.x, -a.y); }
DEVICE C over(C a, double b) { return c(a.x / b, a.y / b); }

// Smith's division: no square of a size that may leave the range.
DEVICE C operator/(C a, C b) {
    if (fabs(b.x) >= fabs(b.y)) {
        double r = b.y / b.x, d = b.x + b.y * r;
        return c((a.x + a.y * r) / d, (a.y - a.x * r) / d);
    }
    double r = b.x / b.y, d = b.x * r + b.y;
    return c((a.x * r + a.y) / d, (a.y * r - a.x) / d);
}

DEVICE C expc(C a) {
    double s, k, e = exp(a.x);
    sincos(a.y, &s, &k);
    return c(e * k, e * s);
}

DEVICE C sqrtc(C a) {
    double r = sqrt(0.5 * (size(a) + fabs(a.x)));
    if (r == 0.0) return c(0.0, 0.0);
    double other = 0.5 * a.y / r;
    return a.x >= 0.0 ? c(r, other) : c(fabs(other), copysign(r, a.y));
}

DEVICE C logc(C a) { return c(log(size(a)), atan2(a.y, a.x)); }

#define UP 1.157920892373162e77      // 2^256
#define DOWN 8.636168555094445e-78   // 2^-256
#define LOG_UP 177.445678223346      // ln 2^256
#define LARGE_SQR UP
#define SMALL_SQR DOWN

// 2^(256 e); zero or infinite beyond what a double holds.
DEVICE double radix(int e) {
    if (e == 0) return 1.0;
    if (e < 0) return e == -1 ? DOWN : e == -2 ? DOWN * DOWN : e == -3 ? DOWN * DOWN * DOWN : 0.0;
    return e == 1 ? UP : e == 2 ? UP * UP : e == 3 ? UP * UP * UP : CUDART_INF;
}

// Debye's exponent: J_n(x) is of size e^-debye for n > x.
DEVICE double debye(double n, double x) {
    return n > x ? n * acosh(n / x) - sqrt(n * n - x * x) : 0.0;
}
