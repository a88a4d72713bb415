// Least and greatest value at each place over maps that follow one another, and which map it was.

extern "C" __global__ void extremes(int items, int places, int first, const float* peaks, float* least,
                                    int* least_at, float* greatest, int* greatest_at) {
    int place = blockIdx.x * blockDim.x + threadIdx.x;
    if (place >= places) return;
    float low = CUDART_INF, high = -CUDART_INF;
    int low_at = 0, high_at = 0;
    if (first > 0) {
        low = least[place];
        low_at = least_at[place];
        high = greatest[place];
        high_at = greatest_at[place];
    }
    for (int i = 0; i < items; i++) {
        float v = peaks[(size_t)i * places + place];
        if (v < low) low = v, low_at = first + i;
        if (v > high) high = v, high_at = first + i;
    }
    least[place] = low;
    least_at[place] = low_at;
    greatest[place] = high;
    greatest_at[place] = high_at;
}
