// The task as one writes it down first: one loop over the returns, atan2, a table of minima, in float64.
// Built with -O3 -march=native.

#include <cmath>
#include <cstdint>
#include <cstring>

extern "C" int plain(const unsigned char* records, int64_t stride, int64_t n, const double* m, double bottom,
                     double top, int32_t bins, double near, double far, float* out) {
    static thread_local double best[65536];
    if (bins > 65536) return 1;
    const double per_radian = bins / (2 * M_PI);
    for (int32_t b = 0; b < bins; b++) best[b] = HUGE_VAL;
    for (int64_t i = 0; i < n; i++) {
        float p[3];
        std::memcpy(p, records + i * stride, sizeof p);
        const double z = m[8] * p[0] + m[9] * p[1] + m[10] * p[2] + m[11];
        if (!(z >= bottom && z < top)) continue;
        const double x = m[0] * p[0] + m[1] * p[1] + m[2] * p[2] + m[3];
        const double y = m[4] * p[0] + m[5] * p[1] + m[6] * p[2] + m[7];
        int32_t b = int32_t((std::atan2(y, x) + M_PI) * per_radian);
        if (b >= bins) b = 0;  // the closing edge is bin 0
        const double square = x * x + y * y;
        if (square < best[b]) best[b] = square;
    }
    for (int32_t b = 0; b < bins; b++) {
        const double r = std::sqrt(best[b]);
        out[b] = float(r < near ? -HUGE_VAL : r <= far ? r : NAN);
    }
    return 0;
}
