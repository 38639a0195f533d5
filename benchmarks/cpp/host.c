/* Runs recorded kernel calls and writes down what they left behind; see native_call.py for the files.
 *
 *   host CALLS ANSWERS REPEATS     runs each call REPEATS times, each time from the same memory;
 *                                  prints `NAME NANOSECONDS` for each run
 *   host -clock                    prints the clock in GHz, from a chain of additions
 *   host -library PAIRS ANSWERS    atan2, hypot, sin and cos of pairs of float64 (the latter of the first)
 *
 * KERNELS is a list X(name) X(name) of the kernels that it is linked with.
 */
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

enum { LINE = 64, RESULT_BYTES = 64, RESULT = -2, ERROR = -3 };

typedef int32_t runner(int64_t *slots);
#define X(name) extern runner run_##name;
KERNELS
#undef X
static const struct { const char *name; runner *run; } known[] = {
#define X(name) {#name, run_##name},
    KERNELS
#undef X
};

float numba_nextafterf(float x, float y) { return nextafterf(x, y); }
double numba_nextafter(double x, double y) { return nextafter(x, y); }

/* What an instruction counter looks for: the counted stretch lies between these two. */
__attribute__((noinline)) void count_begins(void) { __asm__ volatile("" ::: "memory"); }
__attribute__((noinline)) void count_ends(void) { __asm__ volatile("" ::: "memory"); }

static double now(void) {
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return 1e9 * (double)t.tv_sec + (double)t.tv_nsec;
}

static void fail(const char *why) {
    fprintf(stderr, "host: %s\n", why);
    exit(2);
}

static void take(void *into, size_t size, FILE *from) {
    if (size && fread(into, 1, size, from) != size) fail("the file of calls is cut off");
}

static int64_t take_number(FILE *from) {
    int64_t number;
    take(&number, sizeof number, from);
    return number;
}

static void put(const void *from, size_t size, FILE *into) {
    if (size && fwrite(from, 1, size, into) != size) fail("cannot write the answers");
}

/* Memory of a recorded call: what it held before, where it is worked on, and where it was recorded. */
struct buffer { int64_t size, recorded; unsigned char *fresh, *used; };

/* An address at `place` of a buffer, of something in buffer `target`. */
struct pointer { int64_t buffer, place, target; };

/* Room that begins at the same place of a cache line as it did where the call was recorded. */
static unsigned char *room(int64_t size, int64_t recorded) {
    unsigned char *memory = aligned_alloc(LINE, (size_t)(size + 2 * LINE) / LINE * LINE);
    if (memory == NULL) fail("no memory");
    return memory + recorded % LINE;
}

static void take_buffer(struct buffer *b, FILE *from) {
    b->size = take_number(from), b->recorded = take_number(from);
    b->fresh = room(b->size, b->recorded), b->used = room(b->size, b->recorded);
    take(b->fresh, (size_t)b->size, from);
}

/* Move addresses in what is worked on from where they were recorded to here (sign 1), or back (-1). */
static void move_addresses(const struct pointer *pointers, int64_t count, struct buffer *buffers, int64_t sign) {
    for (int64_t k = 0; k < count; k++) {
        unsigned char *place = buffers[pointers[k].buffer].used + pointers[k].place;
        const struct buffer *target = &buffers[pointers[k].target];
        int64_t address;
        memcpy(&address, place, sizeof address);
        address += sign * ((int64_t)target->used - target->recorded);
        memcpy(place, &address, sizeof address);
    }
}

static runner *runner_of(const char *name) {
    for (size_t k = 0; k < sizeof known / sizeof *known; k++)
        if (strcmp(known[k].name, name) == 0) return known[k].run;
    fail("a kernel that this program is not linked with");
    return NULL;
}

static void *many(int64_t count, size_t size) {
    void *made = calloc((size_t)count + 1, size);
    if (made == NULL) fail("no memory");
    return made;
}

static void run_call(FILE *from, FILE *into, long repeats) {
    char name[256] = "", result[RESULT_BYTES] = "", error[LINE] = "";
    int64_t length = take_number(from), n_slots = take_number(from);
    int64_t n_buffers = take_number(from), n_pointers = take_number(from);
    if (length >= (int64_t)sizeof name) fail("a name that is too long");
    take(name, (size_t)length, from);
    runner *run = runner_of(name);
    int64_t *pairs = many(2 * n_slots, sizeof *pairs), *slots = many(n_slots, sizeof *slots);
    struct pointer *pointers = many(n_pointers, sizeof *pointers);
    struct buffer *buffers = many(n_buffers, sizeof *buffers);
    take(pairs, 2 * sizeof *pairs * (size_t)n_slots, from);
    take(pointers, sizeof *pointers * (size_t)n_pointers, from);
    for (int64_t k = 0; k < n_buffers; k++) take_buffer(&buffers[k], from);
    for (int64_t k = 0; k < n_slots; k++) {
        int64_t buffer = pairs[2 * k], value = pairs[2 * k + 1];
        slots[k] = buffer == RESULT ? (int64_t)result : buffer == ERROR ? (int64_t)error
                   : buffer < 0     ? value           : (int64_t)(buffers[buffer].used + value);
    }
    int64_t status = 0;
    for (long repeat = 0; repeat < repeats; repeat++) {
        for (int64_t k = 0; k < n_buffers; k++) memcpy(buffers[k].used, buffers[k].fresh, (size_t)buffers[k].size);
        move_addresses(pointers, n_pointers, buffers, 1);
        double start = now();
        count_begins();
        status = run(slots);
        count_ends();
        printf("%s %.0f\n", name, now() - start);
    }
    move_addresses(pointers, n_pointers, buffers, -1);
    put(&status, sizeof status, into);
    put(result, sizeof result, into);
    for (int64_t k = 0; k < n_buffers; k++) put(buffers[k].used, (size_t)buffers[k].size, into);
}

static int tell_clock(void) {
    double best = 1e30;
    uint64_t sum = 1, step = 3;
    for (int round = 0; round < 50; round++) {
        double start = now();
        for (int k = 0; k < 20000; k++) {
#if defined(__x86_64__)
#define STEP __asm__ volatile("addq %1, %0" : "+r"(sum) : "r"(step));
#else
#define STEP __asm__ volatile("add %0, %0, %1" : "+r"(sum) : "r"(step));
#endif
#define STEPS STEP STEP STEP STEP STEP STEP STEP STEP STEP STEP
            STEPS STEPS STEPS STEPS STEPS
        }
        double took = now() - start;
        best = took < best ? took : best;
    }
    printf("%.4f\n", 20000.0 * 50.0 / best);
    return 0;
}

static int tell_library(FILE *from, FILE *into) {
    double pair[2];
    while (fread(pair, sizeof pair, 1, from) == 1) {
        double values[] = {atan2(pair[0], pair[1]), hypot(pair[0], pair[1]), sin(pair[0]), cos(pair[0])};
        put(values, sizeof values, into);
    }
    return fclose(into) != 0;
}

int main(int argc, char **argv) {
    if (argc == 2 && strcmp(argv[1], "-clock") == 0) return tell_clock();
    if (argc != 4) fail("wanted: CALLS ANSWERS REPEATS, -clock, or -library PAIRS ANSWERS");
    int library = strcmp(argv[1], "-library") == 0;
    FILE *from = fopen(argv[library ? 2 : 1], "rb"), *into = fopen(argv[library ? 3 : 2], "wb");
    if (from == NULL || into == NULL) fail("cannot open a file");
    if (library) return tell_library(from, into);
    int64_t calls = take_number(from);
    for (int64_t k = 0; k < calls; k++) run_call(from, into, strtol(argv[3], NULL, 10));
    return fclose(into) != 0;
}
