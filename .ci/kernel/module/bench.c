// SPDX-License-Identifier: GPL-2.0-only
/*
 * An I2C adapter that exists in memory, with four input chips of the ADS1115's register layout (SBAS444E, section 8) at 48h to
 * 4Bh and one of the INA226's (SBOS547B) at 40h, for a test of the agent on a real kernel. Written for that test; no part of the
 * agent.
 *
 * /sys/kernel/bench/set    "CHIP INPUT CODE": the code that a conversion of a single-ended input (0 to 3) gives; chip 4 is the
 *                          INA226 with its shunt (0) and its bus (1)
 * /sys/kernel/bench/fault  "stuck 0|1": every transfer times out, after stall_ms
 *                          "stall_ms N": how long that takes
 *                          "nack N": the next N transfers are not acknowledged
 *                          "absent CHIP 0|1": a chip does not answer
 *                          "adapter 0|1": the adapter is taken out or put in
 *                          "reads_last 0|1": it takes one message to read, as the last (as i2c-bcm2835.c)
 * /sys/kernel/bench/count  transfers (calls of the adapter), messages in them, conversions begun
 */
#include <linux/delay.h>
#include <linux/i2c.h>
#include <linux/kobject.h>
#include <linux/ktime.h>
#include <linux/module.h>
#include <linux/mutex.h>

#define CHIPS 4
#define FIRST 0x48

#define MONITOR 0x40

struct chip {
	u8 pointer;
	u16 conversion, config, low, high;
	u16 running; /* settings of the conversion in progress, continuous mode */
	s16 input[4];
	ktime_t done;
	bool absent;
};

static struct chip chips[CHIPS];

/* Registers 0 to 7 of the INA226; what it measures; when the first conversion under its settings ends. */
static struct {
	u8 pointer;
	u16 reg[8];
	s16 shunt, bus;
	ktime_t done;
	bool busy;
} monitor;
static DEFINE_MUTEX(lock); /* chips and faults */
static DEFINE_MUTEX(plug); /* whether the adapter is in */
static int nack, stuck, stall_ms = 20, reads_last;
static bool plugged, gone;
static unsigned long transfers, messages, conversions;

/* Times of one conversion in us, by the field DR. */
static const int period_us[8] = { 125000, 62500, 31250, 15625, 7813, 4000, 2106, 1163 };

/* The single-ended inputs, or the difference of a pair, by the field MUX. */
static s16 selected(const struct chip *c, u16 config)
{
	static const u8 pairs[4][2] = { { 0, 1 }, { 0, 3 }, { 1, 3 }, { 2, 3 } };
	int mux = config >> 12 & 7;

	if (mux >= 4)
		return c->input[mux - 4];
	return clamp(c->input[pairs[mux][0]] - c->input[pairs[mux][1]], -32768, 32767);
}

static void finish(struct chip *c)
{
	if (!(c->config & 0x100)) { /* continuous: new settings hold from the end of the conversion that runs */
		while (ktime_after(ktime_get(), c->done)) {
			s64 late = ktime_us_delta(ktime_get(), c->done), period = period_us[c->config >> 5 & 7];

			c->conversion = selected(c, c->running);
			c->running = c->config;
			c->done = ktime_add_us(c->done, period * max_t(s64, late / period, 1));
		}
		return;
	}
	if (!(c->config & 0x8000) && ktime_after(ktime_get(), c->done)) {
		c->conversion = selected(c, c->config);
		c->config |= 0x8000;
	}
}

static void write_register(struct chip *c, u16 v)
{
	switch (c->pointer & 3) {
	case 1:
		if (!(v & 0x100)) {
			if (c->config & 0x8000) { /* none runs */
				c->running = v;
				c->done = ktime_add_us(ktime_get(), period_us[v >> 5 & 7]);
			}
			c->config = v & 0x7fff;
			break;
		}
		/* a conversion that runs is finished under the new settings; bit 15 begins one, and reads back 0 until its end */
		if (v & 0x8000 && c->config & 0x8000) {
			conversions++;
			c->done = ktime_add_us(ktime_get(), period_us[v >> 5 & 7]);
			c->config = v & 0x7fff;
		} else {
			c->config = (v & 0x7fff) | (c->config & 0x8000);
		}
		break;
	case 2:
		c->low = v;
		break;
	case 3:
		c->high = v;
		break;
	}
}

static u16 read_register(struct chip *c)
{
	finish(c);
	switch (c->pointer & 3) {
	case 0:
		return c->conversion;
	case 1:
		return c->config;
	case 2:
		return c->low;
	default:
		return c->high;
	}
}

/* Conversion times of the INA226 in us and its averages, by their fields. */
static const int sample_us[8] = { 140, 204, 332, 588, 1100, 2116, 4156, 8244 };
static const int averages[8] = { 1, 4, 16, 64, 128, 256, 512, 1024 };

#define READY 0x8 /* of the register of flags, 6 */

static void monitor_begin(void)
{
	u16 v = monitor.reg[0];
	int us = (v & 1 ? sample_us[v >> 3 & 7] : 0) + (v & 2 ? sample_us[v >> 6 & 7] : 0);

	monitor.reg[6] &= ~READY;
	monitor.busy = v & 3;
	monitor.done = ktime_add_us(ktime_get(), us * averages[v >> 9 & 7]);
}

static void monitor_reset(void)
{
	memset(monitor.reg, 0, sizeof(monitor.reg));
	monitor.reg[0] = 0x4127;
	monitor_begin();
}

static void monitor_finish(void)
{
	if (!monitor.busy || !ktime_after(ktime_get(), monitor.done))
		return;
	if (monitor.reg[0] & 1)
		monitor.reg[1] = monitor.shunt;
	if (monitor.reg[0] & 2)
		monitor.reg[2] = monitor.bus;
	monitor.reg[6] |= READY;
	monitor.busy = monitor.reg[0] & 4; /* continuous */
}

static int monitor_one(struct i2c_msg *m)
{
	u16 v;
	int i;

	monitor_finish();
	if (m->flags & I2C_M_RD) {
		v = monitor.pointer == 0xfe ? 0x5449 : monitor.pointer == 0xff ? 0x2260 : monitor.reg[monitor.pointer & 7];
		if (monitor.pointer == 6)
			monitor.reg[6] &= ~READY;
		for (i = 0; i < m->len; i++)
			m->buf[i] = i % 2 ? v & 0xff : v >> 8;
		return 0;
	}
	if (m->len >= 1)
		monitor.pointer = m->buf[0];
	if (m->len < 3 || (monitor.pointer >= 1 && monitor.pointer <= 4) || monitor.pointer > 7)
		return 0;
	v = m->buf[1] << 8 | m->buf[2];
	if (monitor.pointer == 0 && v & 0x8000) {
		monitor_reset();
		return 0;
	}
	monitor.reg[monitor.pointer] = monitor.pointer ? v : v | 0x4000;
	if (monitor.pointer == 0)
		monitor_begin();
	return 0;
}

static int one(struct i2c_msg *m)
{
	struct chip *c;
	int i;
	u16 v;

	if (m->addr == MONITOR)
		return monitor_one(m);
	if (m->addr < FIRST || m->addr >= FIRST + CHIPS || chips[m->addr - FIRST].absent)
		return -ENXIO;
	c = &chips[m->addr - FIRST];
	finish(c);
	if (m->flags & I2C_M_RD) {
		v = read_register(c);
		for (i = 0; i < m->len; i++)
			m->buf[i] = i % 2 ? v & 0xff : v >> 8;
		return 0;
	}
	if (m->len >= 1)
		c->pointer = m->buf[0];
	if (m->len >= 3)
		write_register(c, m->buf[1] << 8 | m->buf[2]);
	return 0;
}

static int transfer(struct i2c_adapter *a, struct i2c_msg *m, int n)
{
	int i, err = 0;

	mutex_lock(&lock);
	transfers++;
	messages += n;
	if (gone) { /* a file that is still open of an adapter that was taken out */
		mutex_unlock(&lock);
		return -ENODEV;
	}
	if (stuck) {
		mutex_unlock(&lock);
		msleep(stall_ms);
		return -ETIMEDOUT;
	}
	for (i = 0; reads_last && i < n - 1; i++) {
		if (m[i].flags & I2C_M_RD) {
			mutex_unlock(&lock);
			return -EOPNOTSUPP;
		}
	}
	if (nack > 0) {
		nack--;
		err = -EREMOTEIO;
	}
	for (i = 0; i < n && !err; i++) {
		int us = (m[i].len + 1) * 9 * 10 / 4; /* nine clocks a byte, at 400 kHz */

		usleep_range(us, us + 20);
		err = one(&m[i]);
	}
	mutex_unlock(&lock);
	return err ? err : n;
}

static u32 functionality(struct i2c_adapter *a)
{
	return I2C_FUNC_I2C | I2C_FUNC_SMBUS_EMUL;
}

static const struct i2c_algorithm algorithm = { .master_xfer = transfer, .functionality = functionality };

static struct i2c_adapter adapter;

/* An adapter's structure must be empty when it is added; it keeps its number, as a pluggable one on a fixed bus does. */
static int plug_in(bool in)
{
	int err = 0;

	mutex_lock(&lock);
	gone = !in;
	mutex_unlock(&lock);
	mutex_lock(&plug);
	if (in && !plugged) {
		memset(&adapter, 0, sizeof(adapter));
		adapter.owner = THIS_MODULE;
		adapter.algo = &algorithm;
		adapter.nr = 1;
		strscpy(adapter.name, "bench", sizeof(adapter.name));
		err = i2c_add_numbered_adapter(&adapter);
		plugged = !err;
	} else if (!in && plugged) {
		/* waits until nobody has the device file open any more */
		i2c_del_adapter(&adapter);
		plugged = false;
	}
	mutex_unlock(&plug);
	return err;
}

static ssize_t set_store(struct kobject *k, struct kobj_attribute *a, const char *b, size_t n)
{
	int chip, input, code;

	if (sscanf(b, "%d %d %d", &chip, &input, &code) != 3 || chip < 0 || chip > CHIPS || input < 0 || input > 3)
		return -EINVAL;
	code = clamp(code, -32768, 32767);
	mutex_lock(&lock);
	if (chip < CHIPS)
		chips[chip].input[input] = code;
	else if (input == 0)
		monitor.shunt = code;
	else
		monitor.bus = code;
	mutex_unlock(&lock);
	return n;
}

static ssize_t fault_store(struct kobject *k, struct kobj_attribute *a, const char *b, size_t n)
{
	int v, chip, err;

	if (sscanf(b, "adapter %d", &v) == 1) {
		err = plug_in(v);
		return err ? err : n;
	}
	mutex_lock(&lock);
	err = 0;
	if (sscanf(b, "nack %d", &v) == 1)
		nack = v;
	else if (sscanf(b, "stuck %d", &v) == 1)
		stuck = v;
	else if (sscanf(b, "stall_ms %d", &v) == 1)
		stall_ms = clamp(v, 1, 60000);
	else if (sscanf(b, "reads_last %d", &v) == 1)
		reads_last = v;
	else if (sscanf(b, "absent %d %d", &chip, &v) == 2 && chip >= 0 && chip < CHIPS)
		chips[chip].absent = v;
	else
		err = -EINVAL;
	mutex_unlock(&lock);
	return err ? err : n;
}

static ssize_t count_show(struct kobject *k, struct kobj_attribute *a, char *b)
{
	return sysfs_emit(b, "%lu %lu %lu\n", transfers, messages, conversions);
}

static struct kobj_attribute set = __ATTR_WO(set), fault = __ATTR_WO(fault), count = __ATTR_RO(count);
static struct attribute *attributes[] = { &set.attr, &fault.attr, &count.attr, NULL };
static const struct attribute_group group = { .attrs = attributes };
static struct kobject *folder;

static int __init begin(void)
{
	int i, err;

	for (i = 0; i < CHIPS; i++) { /* as after power-on: table 8-3 */
		chips[i].config = 0x8583;
		chips[i].low = 0x8000;
		chips[i].high = 0x7fff;
	}
	monitor_reset();
	folder = kobject_create_and_add("bench", kernel_kobj);
	if (!folder)
		return -ENOMEM;
	err = sysfs_create_group(folder, &group);
	if (!err)
		err = plug_in(true);
	if (err)
		kobject_put(folder);
	return err;
}

static void __exit end(void)
{
	plug_in(false);
	kobject_put(folder);
}

module_init(begin);
module_exit(end);
MODULE_LICENSE("GPL");
MODULE_DESCRIPTION("I2C adapter in memory with input chips at register level, for tests");
