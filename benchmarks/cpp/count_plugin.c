/* A plugin of the emulator (qemu-user) that counts what the emulated program does between two of its functions.
 *
 *   qemu-MACHINE -plugin count_plugin.so,begins=ADDRESS,ends=ADDRESS,low=ADDRESS,high=ADDRESS,out=FILE PROGRAM
 *
 * Writes a line `stretch INSTRUCTIONS TOUCHED WRITTEN` for each time that `ends` was reached after `begins`
 * (the latter two in cache lines, each counted once), then for every instruction between low and high
 * `ADDRESS COUNT`. The functions below are declared here because the emulator's packages bring no
 * header; they are those of its plugin interface, version 1.
 */
#include <inttypes.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

typedef uint64_t plugin;
struct qemu_plugin_tb;
struct qemu_plugin_insn;
typedef uint32_t access;
extern void qemu_plugin_register_vcpu_tb_trans_cb(plugin, void (*)(plugin, struct qemu_plugin_tb *));
extern void qemu_plugin_register_vcpu_tb_exec_cb(struct qemu_plugin_tb *, void (*)(unsigned, void *), int, void *);
extern void qemu_plugin_register_vcpu_mem_cb(
    struct qemu_plugin_insn *, void (*)(unsigned, access, uint64_t, void *), int, int, void *);
extern int qemu_plugin_mem_is_store(access);
extern void qemu_plugin_register_atexit_cb(plugin, void (*)(plugin, void *), void *);
extern size_t qemu_plugin_tb_n_insns(const struct qemu_plugin_tb *);
extern uint64_t qemu_plugin_tb_vaddr(const struct qemu_plugin_tb *);
extern struct qemu_plugin_insn *qemu_plugin_tb_get_insn(const struct qemu_plugin_tb *, size_t);
extern uint64_t qemu_plugin_insn_vaddr(const struct qemu_plugin_insn *);

#define SHOWN __attribute__((visibility("default")))
SHOWN int qemu_plugin_version = 1;

/* A run of instructions without a branch in it, as the emulator has translated it. */
struct run {
    uint64_t first, length, count;
    struct run *next;
    uint64_t addresses[];
};

enum { LINE = 64, SEATS = 1 << 22, READS_AND_WRITES = 3 };

/* A cache line that was touched in the stretch with this number. */
struct seat { uint64_t line; uint32_t stretch, written; };

static struct run *runs;
static struct seat *seats;
static uint64_t begins, ends, low, high, total, before, touched_lines, written_lines;
static uint32_t stretch;
static int counting;
static FILE *out;

static void touched(unsigned cpu, access how, uint64_t address, void *told) {
    uint64_t line = address / LINE, k = line * 0x9E3779B97F4A7C15u >> 42;
    (void)cpu, (void)told;
    if (!counting) return;
    while (seats[k].stretch == stretch && seats[k].line != line) k = (k + 1) % SEATS;
    if (seats[k].stretch != stretch) {
        if (++touched_lines > SEATS / 2) abort();
        seats[k] = (struct seat){line, stretch, 0};
    }
    if (qemu_plugin_mem_is_store(how) && !seats[k].written) seats[k].written = 1, written_lines++;
}

static void executed(unsigned cpu, void *told) {
    struct run *run = told;
    (void)cpu;
    if (run->first == begins) {
        counting = 1, before = total, stretch++;
        touched_lines = written_lines = 0;
    }
    if (run->first == ends && counting) {
        counting = 0;
        fprintf(out, "stretch %" PRIu64 " %" PRIu64 " %" PRIu64 "\n", total - before, touched_lines, written_lines);
    }
    total += run->length;
    run->count += (uint64_t)counting;
}

static void translated(plugin id, struct qemu_plugin_tb *block) {
    size_t length = qemu_plugin_tb_n_insns(block);
    struct run *run = calloc(1, sizeof *run + length * sizeof *run->addresses);
    (void)id;
    if (run == NULL) abort();
    run->first = qemu_plugin_tb_vaddr(block);
    run->length = length;
    for (size_t k = 0; k < length; k++) {
        struct qemu_plugin_insn *instruction = qemu_plugin_tb_get_insn(block, k);
        run->addresses[k] = qemu_plugin_insn_vaddr(instruction);
        qemu_plugin_register_vcpu_mem_cb(instruction, touched, 0, READS_AND_WRITES, NULL);
    }
    run->next = runs;
    runs = run;
    qemu_plugin_register_vcpu_tb_exec_cb(block, executed, 0, run);
}

static void finished(plugin id, void *told) {
    (void)id, (void)told;
    for (struct run *run = runs; run != NULL; run = run->next)
        for (uint64_t k = 0; k < run->length; k++)
            if (run->count && run->addresses[k] >= low && run->addresses[k] < high)
                fprintf(out, "%" PRIx64 " %" PRIu64 "\n", run->addresses[k], run->count);
    fclose(out);
}

SHOWN int qemu_plugin_install(plugin id, const void *about, int argc, char **argv) {
    (void)about;
    for (int k = 0; k < argc; k++) {
        char *value = strchr(argv[k], '=');
        if (value == NULL) return 1;
        *value++ = 0;
        if (strcmp(argv[k], "out") == 0) out = fopen(value, "w");
        uint64_t address = strtoull(value, NULL, 0);
        if (strcmp(argv[k], "begins") == 0) begins = address;
        if (strcmp(argv[k], "ends") == 0) ends = address;
        if (strcmp(argv[k], "low") == 0) low = address;
        if (strcmp(argv[k], "high") == 0) high = address;
    }
    seats = calloc(SEATS, sizeof *seats);
    if (out == NULL || seats == NULL) return 1;
    qemu_plugin_register_vcpu_tb_trans_cb(id, translated);
    qemu_plugin_register_atexit_cb(id, finished, NULL);
    return 0;
}
