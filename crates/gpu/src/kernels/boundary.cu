// The boundary equations of each angular order, first passage, as `barwright_wave::cylinder::ModalSolution`.

// Largest entry of three; 1 for zeros.
DEVICE double largest(C a, C b, C d) {
    double s = fmax(size(a), fmax(size(b), size(d)));
    return s > 0.0 ? s : 1.0;
}

// Solution of sum columns[k][row] x[k] = right[row]; columns, then rows are brought to size 1 first.
DEVICE void solve3(C columns[3][3], C right[3], C x[3]) {
    double column_size[3];
    C rows[3][4];
#pragma unroll
    for (int k = 0; k < 3; k++) {
        column_size[k] = largest(columns[k][0], columns[k][1], columns[k][2]);
#pragma unroll
        for (int r = 0; r < 3; r++) rows[r][k] = over(columns[k][r], column_size[k]);
    }
#pragma unroll
    for (int r = 0; r < 3; r++) {
        double scale = largest(rows[r][0], rows[r][1], rows[r][2]);
        rows[r][3] = right[r];
#pragma unroll
        for (int k = 0; k < 4; k++) rows[r][k] = over(rows[r][k], scale);
    }
#pragma unroll
    for (int pivot = 0; pivot < 2; pivot++) {
#pragma unroll
        for (int r = pivot + 1; r < 3; r++) {
            if (norm2(rows[r][pivot]) > norm2(rows[pivot][pivot])) {
#pragma unroll
                for (int k = 0; k < 4; k++) {
                    C t = rows[r][k];
                    rows[r][k] = rows[pivot][k];
                    rows[pivot][k] = t;
                }
            }
        }
#pragma unroll
        for (int r = pivot + 1; r < 3; r++) {
            C factor = rows[r][pivot] / rows[pivot][pivot];
#pragma unroll
            for (int k = pivot; k < 4; k++) rows[r][k] = rows[r][k] - factor * rows[pivot][k];
        }
    }
    x[2] = rows[2][3] / rows[2][2];
    x[1] = (rows[1][3] - rows[1][2] * x[2]) / rows[1][1];
    x[0] = (rows[0][3] - rows[0][1] * x[1] - rows[0][2] * x[2]) / rows[0][0];
#pragma unroll
    for (int k = 0; k < 3; k++) x[k] = over(x[k], column_size[k]);
}

// Values of order n and n + 1 of a mode on a common exponent; a travelling order meets the surface as its
// inward half only.
DEVICE void meets(Ladder j, Ladder h, int n, int last, C& here, C& up, int& base) {
    base = j.e(n);
    here = j.m(n);
    up = j.above(n + 1, base);
    if (n <= last) {
        here = here - h.above(n, base) * 0.5;
        up = up - h.above(n + 1, base) * 0.5;
    }
}

// x Z' = n Z - x Z_(n+1).
DEVICE C slope(C z, C up, C x, double n) { return z * n - x * up; }

DEVICE C times_i(C a) { return c(-a.y, a.x); }

// For each order: `inside[bar][f][n]`, the coefficient of the wanted mode, so scaled that incident orders
// scaled by e^-debye(n, ka) give amplitudes of functions scaled by e^+debye(n, k_mode a); and the ratios of
// both scales from one order to the next: `water[bar][f][n]`, `steel[bar][n][f]`. `failed` counts orders
// without a finite answer.
extern "C" __global__ void boundary(Band band, const Bar* bars, const double* omega,
                                    const double* losses, const int* highest, C* mantissa,
                                    int* exponent, C* inside, double* water, double* steel,
                                    int* failed) {
    int f = blockIdx.x * blockDim.x + threadIdx.x;
    int n = blockIdx.y, bar = blockIdx.z;
    if (f >= band.frequencies) return;
    Bar b = bars[bar];
    size_t at = (size_t)bar * band.frequencies + f;
    C k_w = wave_number(b, omega[f], 0.0, J_WATER);
    C k_l = wave_number(b, omega[f], losses[2 * at], J_L);
    C k_s = wave_number(b, omega[f], losses[2 * at + 1], J_S);
    C k_m = band.shear ? k_s : k_l;
    double nf = n;
    double x_m = size(k_m) * b.radius;
    double eta_m = debye(nf, x_m);
    if (n < band.ratios) {
        size_t to = ((size_t)bar * band.ratios + n) * band.frequencies + f;
        steel[to] = n ? exp(debye(nf - 1.0, x_m) - eta_m) : 1.0;
    }
    if (n >= band.orders) return;
    size_t to = at * band.orders + n;
    double x_w = k_w.x * b.radius;
    double eta_w = debye(nf, x_w);
    water[to] = n ? exp(debye(nf - 1.0, x_w) - eta_w) : 1.0;
    if (n > highest[at]) {
        inside[to] = c(0.0, 0.0);
        return;
    }
    C x = k_w * b.radius, x_l = k_l * b.radius, x_s = k_s * b.radius;
    int above = highest[at] + 1;
    Ladder j = ladder_of(band, mantissa, exponent, bar, J_WATER, f);
    Ladder h = ladder_of(band, mantissa, exponent, bar, H_WATER, f);
    int base_j = j.e(n), base_h = h.e(n);
    C j_n = j.m(n), j_up = j.above(n + 1, base_j);
    C h_n = h.m(n), h_up = h.above(n + 1, base_h);
    C l_n, l_up, s_n, s_up;
    int base_l, base_s;
    meets(ladder_of(band, mantissa, exponent, bar, J_L, f),
          ladder_of(band, mantissa, exponent, bar, H_L, f), n, min((int)floor(x_l.x), above), l_n, l_up,
          base_l);
    meets(ladder_of(band, mantissa, exponent, bar, J_S, f),
          ladder_of(band, mantissa, exponent, bar, H_S, f), n, min((int)floor(x_s.x), above), s_n, s_up,
          base_s);
    C two_over = c(2.0, 0.0) / (x_s * x_s);
    C columns[3][3] = {
        {h_n, c(0.0, 0.0), (slope(h_n, h_up, x, nf) * -b.heavy) / x},
        {two_over * (l_n * (nf * nf - nf) + x_l * l_up) - l_n,
         times_i(nf * two_over * (slope(l_n, l_up, x_l, nf) - l_n)), slope(l_n, l_up, x_l, nf) / x},
        {times_i(nf * two_over * (slope(s_n, s_up, x_s, nf) - s_n)),
         s_n - two_over * (s_n * (nf * nf - nf) + x_s * s_up), times_i(nf * s_n) / x}};
    C right[3] = {-j_n, c(0.0, 0.0), (slope(j_n, j_up, x, nf) * b.heavy) / x};
    C answer[3];
    solve3(columns, right, answer);
    C sum = answer[0] + answer[1] + answer[2];
    if (!isfinite(sum.x) || !isfinite(sum.y)) {
        atomicAdd(failed, 1);
        inside[to] = c(0.0, 0.0);
        return;
    }
    int base = band.shear ? base_s : base_l;
    double scale = LOG_UP * (base_j - base) + eta_w - eta_m + k_m.y * b.radius;
    inside[to] = (band.shear ? answer[2] : answer[1]) * exp(scale);
}
