// The yardstick: the same task made as fast as it would go in C++, float32, one slice, one core.
//
// `blocked`  phase 1: 1,024 returns at a time through a loop that the compiler turns into vector code
//            (transform, polynomial for the arc tangent, bin, square, +max where the height is wrong);
//            phase 2: the minimum of each bin, in four tables in turn, so that returns that follow each
//            other in one bin do not wait for each other.
// `sieved`   as above, but phase 1 first sieves out the returns of the wrong height (AVX2 only), so that
//            the arc tangent and phase 2 are done for the others alone.
//
// Built with -O3 -march=native -ffast-math: coordinates that are not finite are not provided for, and
// the arithmetic is float32 throughout. The library provides for both; this is what it is measured by.

#include <algorithm>
#include <cfloat>
#include <cmath>
#include <cstdint>
#include <cstring>

#if defined(__AVX2__) && defined(__FMA__)
#include <immintrin.h>
#endif

namespace {

constexpr int BLOCK = 1024, TABLES = 4, ROOM = 65536;
constexpr float NONE = FLT_MAX;  // with -ffast-math there are no infinities to compare with

struct Task {
    float m[12];  // level_from_sensor, row by row
    float bottom, top;
    int32_t bins;
};

struct alignas(64) Block {
    float x[BLOCK + 8], y[BLOCK + 8], z[BLOCK + 8], square[BLOCK + 8];
    int32_t bin[BLOCK + 8];
};

struct Work {
    Block block;
    // 80 more: the same bin of two tables must not lie a multiple of 4 KiB apart, where loads mistake stores
    alignas(64) float tables[TABLES][ROOM + 80];
};

inline float arc_tangent(float q) {  // 0 … 1; odd polynomial fitted for the least greatest error, 1.7e-6
    const float s = q * q;
    return q * (0.999977219f +
                s * (-0.3326228271f +
                     s * (0.1935403709f + s * (-0.1164264684f + s * (0.05264733626f + s * -0.0117191296f)))));
}

inline int32_t bin_of(float x, float y, float per_radian, float bins) {
    const float ax = std::fabs(x), ay = std::fabs(y);
    float turn = arc_tangent(std::min(ax, ay) / (std::max(ax, ay) + 1e-30f)) * per_radian;
    turn = ay > ax ? 0.25f * bins - turn : turn;
    turn = x < 0 ? 0.5f * bins - turn : turn;
    turn = y < 0 ? -turn : turn;
    return int32_t(std::min(turn + 0.5f * bins, bins - 1));
}

inline void least(float& place, float square) { place = std::min(place, square); }

inline void scatter(const Block& block, int n, float (*tables)[ROOM + 80]) {
    int j = 0;
    for (; j + TABLES <= n; j += TABLES)
        for (int k = 0; k < TABLES; k++) least(tables[k][block.bin[j + k]], block.square[j + k]);
    for (; j < n; j++) least(tables[0][block.bin[j]], block.square[j]);
}

inline void take_one(const unsigned char* record, Block& block, int j) {
    std::memcpy(&block.x[j], record, 4);
    std::memcpy(&block.y[j], record + 4, 4);
    std::memcpy(&block.z[j], record + 8, 4);
}

#if defined(__AVX2__) && defined(__FMA__)

inline __m256 two(const unsigned char* low, const unsigned char* high) {
    const __m128 a = _mm_loadu_ps(reinterpret_cast<const float*>(low));
    return _mm256_insertf128_ps(_mm256_castps128_ps256(a), _mm_loadu_ps(reinterpret_cast<const float*>(high)), 1);
}

// Eight packed xyz returns (96 bytes) to eight x, eight y, eight z.
inline void take_packed(const unsigned char* p, __m256& x, __m256& y, __m256& z) {
    const __m256 a = two(p, p + 48), b = two(p + 16, p + 64), c = two(p + 32, p + 80);
    const __m256 xy = _mm256_shuffle_ps(b, c, _MM_SHUFFLE(2, 1, 3, 2));
    const __m256 yz = _mm256_shuffle_ps(a, b, _MM_SHUFFLE(1, 0, 2, 1));
    x = _mm256_shuffle_ps(a, xy, _MM_SHUFFLE(2, 0, 3, 0));
    y = _mm256_shuffle_ps(yz, xy, _MM_SHUFFLE(3, 1, 2, 0));
    z = _mm256_shuffle_ps(yz, c, _MM_SHUFFLE(3, 0, 3, 1));
}

// Eight records of 16 bytes or more; 16 bytes of each are read.
inline void take_records(const unsigned char* p, int64_t s, __m256& x, __m256& y, __m256& z) {
    const __m256 a = two(p, p + 4 * s), b = two(p + s, p + 5 * s);
    const __m256 c = two(p + 2 * s, p + 6 * s), d = two(p + 3 * s, p + 7 * s);
    const __m256 low_ab = _mm256_unpacklo_ps(a, b), low_cd = _mm256_unpacklo_ps(c, d);
    x = _mm256_shuffle_ps(low_ab, low_cd, _MM_SHUFFLE(1, 0, 1, 0));
    y = _mm256_shuffle_ps(low_ab, low_cd, _MM_SHUFFLE(3, 2, 3, 2));
    z = _mm256_shuffle_ps(_mm256_unpackhi_ps(a, b), _mm256_unpackhi_ps(c, d), _MM_SHUFFLE(1, 0, 1, 0));
}

template <bool PACKED>
inline void take(const unsigned char* p, int64_t stride, __m256& x, __m256& y, __m256& z) {
    if constexpr (PACKED)
        take_packed(p, x, y, z);
    else
        take_records(p, stride, x, y, z);
}

#endif

template <bool PACKED>
inline void take_all(const unsigned char* records, int64_t stride, int n, Block& block) {
    int j = 0;
#if defined(__AVX2__) && defined(__FMA__)
    for (; j + 8 <= n; j += 8) {
        __m256 x, y, z;
        take<PACKED>(records + j * stride, stride, x, y, z);
        _mm256_store_ps(block.x + j, x), _mm256_store_ps(block.y + j, y), _mm256_store_ps(block.z + j, z);
    }
#endif
    for (; j < n; j++) take_one(records + j * stride, block, j);
}

inline void place_all(int n, const Task task, Block& block) {
    const float* m = task.m;
    const float bins = float(task.bins), per_radian = bins / float(2 * M_PI);
    for (int j = 0; j < n; j++) {
        const float px = block.x[j], py = block.y[j], pz = block.z[j];
        const float x = m[0] * px + (m[1] * py + (m[2] * pz + m[3]));
        const float y = m[4] * px + (m[5] * py + (m[6] * pz + m[7]));
        const float z = m[8] * px + (m[9] * py + (m[10] * pz + m[11]));
        block.bin[j] = bin_of(x, y, per_radian, bins);
        block.square[j] = z >= task.bottom && z < task.top ? x * x + y * y : NONE;
    }
}

template <bool PACKED>
void sweep_blocks(const unsigned char* records, int64_t stride, int64_t n, const Task& task, Work& work) {
    for (int64_t first = 0; first < n; first += BLOCK) {
        const int count = int(std::min<int64_t>(BLOCK, n - first));
        take_all<PACKED>(records + first * stride, stride, count, work.block);
        place_all(count, task, work.block);
        scatter(work.block, count, work.tables);
    }
}

#if defined(__AVX2__) && defined(__FMA__)

struct Wide {  // one task, every number eight times
    __m256 m[12], bottom, top;
};

struct Order {  // for each pattern of eight flags: the places of those that are set, one byte each
    uint64_t places[256];
    constexpr Order() : places() {
        for (int flags = 0; flags < 256; flags++)
            for (int i = 0, shift = 0; i < 8; i++)
                if (flags >> i & 1) {
                    places[flags] |= uint64_t(i) << shift;
                    shift += 8;
                }
    }
};

constexpr Order order;

inline __m256 row(const __m256* m, __m256 x, __m256 y, __m256 z) {
    return _mm256_fmadd_ps(m[0], x, _mm256_fmadd_ps(m[1], y, _mm256_fmadd_ps(m[2], z, m[3])));
}

inline int keep(__m256 px, __m256 py, __m256 pz, const Wide& wide, Block& block, int kept) {
    const __m256 z = row(wide.m + 8, px, py, pz);
    const __m256 inside = _mm256_and_ps(_mm256_cmp_ps(z, wide.bottom, _CMP_GE_OQ),
                                        _mm256_cmp_ps(z, wide.top, _CMP_LT_OQ));
    const unsigned flags = unsigned(_mm256_movemask_ps(inside));
    const __m256i places = _mm256_cvtepu8_epi32(_mm_cvtsi64_si128(int64_t(order.places[flags])));
    _mm256_storeu_ps(block.x + kept, _mm256_permutevar8x32_ps(row(wide.m, px, py, pz), places));
    _mm256_storeu_ps(block.y + kept, _mm256_permutevar8x32_ps(row(wide.m + 4, px, py, pz), places));
    return kept + __builtin_popcount(flags);
}

inline int keep_one(const unsigned char* record, const Task& task, Block& block, int kept) {
    const float* m = task.m;
    float p[3];
    std::memcpy(p, record, sizeof p);
    const float z = m[8] * p[0] + (m[9] * p[1] + (m[10] * p[2] + m[11]));
    block.x[kept] = m[0] * p[0] + (m[1] * p[1] + (m[2] * p[2] + m[3]));
    block.y[kept] = m[4] * p[0] + (m[5] * p[1] + (m[6] * p[2] + m[7]));
    return kept + (z >= task.bottom && z < task.top);
}

template <bool PACKED>
inline int keep_all(const unsigned char* records, int64_t stride, int n, const Task& task, const Wide& wide,
                    Block& block) {
    int j = 0, kept = 0;
    for (; j + 8 <= n; j += 8) {
        __m256 x, y, z;
        take<PACKED>(records + j * stride, stride, x, y, z);
        kept = keep(x, y, z, wide, block, kept);
    }
    for (; j < n; j++) kept = keep_one(records + j * stride, task, block, kept);
    return kept;
}

inline void find_bins(int n, float bins, Block& block) {
    const float per_radian = bins / float(2 * M_PI);
    for (int j = 0; j < n; j++) {
        block.bin[j] = bin_of(block.x[j], block.y[j], per_radian, bins);
        block.square[j] = block.x[j] * block.x[j] + block.y[j] * block.y[j];
    }
}

template <bool PACKED>
void sweep_sieved(const unsigned char* records, int64_t stride, int64_t n, const Task& task, Work& work) {
    Wide wide;
    for (int k = 0; k < 12; k++) wide.m[k] = _mm256_set1_ps(task.m[k]);
    wide.bottom = _mm256_set1_ps(task.bottom), wide.top = _mm256_set1_ps(task.top);
    for (int64_t first = 0; first < n; first += BLOCK) {
        const int count = int(std::min<int64_t>(BLOCK, n - first));
        const int kept = keep_all<PACKED>(records + first * stride, stride, count, task, wide, work.block);
        find_bins(kept, float(task.bins), work.block);
        scatter(work.block, kept, work.tables);
    }
}

#endif

Task start(const double* matrix, double bottom, double top, int32_t bins, Work& work) {
    Task task;
    std::copy(matrix, matrix + 12, task.m);
    task.bottom = float(bottom), task.top = float(top), task.bins = bins;
    for (auto& table : work.tables) std::fill(table, table + bins, NONE);
    return task;
}

void answer(int32_t bins, double near, double far, const Work& work, float* out) {
    const auto& tables = work.tables;
    for (int32_t b = 0; b < bins; b++) {
        const float square =
            std::min(std::min(tables[0][b], tables[1][b]), std::min(tables[2][b], tables[3][b]));
        const float r = std::sqrt(square);
        out[b] = r < near ? -HUGE_VALF : r <= far ? r : NAN;
    }
}

}  // namespace

extern "C" int64_t room_for_work() { return sizeof(Work); }  // one for each thread, at a multiple of 64

extern "C" int can_sieve() {
#if defined(__AVX2__) && defined(__FMA__)
    return 1;
#else
    return 0;  // as good as it gets without AVX2: blocked
#endif
}

extern "C" int blocked(const unsigned char* records, int64_t stride, int64_t n, const double* matrix,
                       double bottom, double top, int32_t bins, double near, double far, float* out,
                       Work* work) {
    if (bins > ROOM || (stride != 12 && stride < 16)) return 1;
    const Task task = start(matrix, bottom, top, bins, *work);
    if (stride == 12)
        sweep_blocks<true>(records, stride, n, task, *work);
    else
        sweep_blocks<false>(records, stride, n, task, *work);
    answer(bins, near, far, *work, out);
    return 0;
}

extern "C" int sieved(const unsigned char* records, int64_t stride, int64_t n, const double* matrix,
                      double bottom, double top, int32_t bins, double near, double far, float* out,
                      Work* work) {
#if defined(__AVX2__) && defined(__FMA__)
    if (bins > ROOM || (stride != 12 && stride < 16)) return 1;
    const Task task = start(matrix, bottom, top, bins, *work);
    if (stride == 12)
        sweep_sieved<true>(records, stride, n, task, *work);
    else
        sweep_sieved<false>(records, stride, n, task, *work);
    answer(bins, near, far, *work, out);
    return 0;
#else
    return 1;
#endif
}
