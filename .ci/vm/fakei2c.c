// SPDX-License-Identifier: (GPL-2.0 OR MIT)
/*
 * An I2C adapter that exists only in memory, /dev/i2c-1, with a model of one
 * PCA9685 at 0x40: registers, auto-increment and sleep rules after its data
 * sheet (NXP PCA9685, Rev. 4). Parameters below
 * /sys/module/fakei2c/parameters:
 *
 *	reg    the registers, as the chip holds them
 *	naks   the next so many transfers are not acknowledged
 *	hang   milliseconds for which each transfer hangs before it times out
 *	busy   transfers that hang at this moment
 *	wrong  writes that the data sheet says have no effect
 *	dip    write 1: the chip loses its supply for a moment
 */
#include <linux/delay.h>
#include <linux/i2c.h>
#include <linux/module.h>

#define ADDR 0x40
#define MODE1 0x00
#define MODE1_AI 0x20
#define MODE1_SLEEP 0x10
#define LED0 0x06
#define LEDS 16
#define ALL_LED 0xfa
#define PRE_SCALE 0xfe

static u8 reg[256];
module_param_array(reg, byte, NULL, 0444);
static uint naks;
module_param(naks, uint, 0644);
static uint hang;
module_param(hang, uint, 0644);
static uint busy;
module_param(busy, uint, 0444);
static uint wrong;
module_param(wrong, uint, 0444);
static u8 at; /* the register pointer */

static void power_on(void)
{
	int n;

	memset(reg, 0, sizeof(reg));
	reg[MODE1] = 0x11;
	reg[0x01] = 0x04;
	reg[PRE_SCALE] = 0x1e;
	for (n = 0; n < LEDS; n++)
		reg[LED0 + 4 * n + 3] = 0x10;
}

static int dip(const char *val, const struct kernel_param *kp)
{
	power_on();
	return 0;
}
static const struct kernel_param_ops dip_ops = { .set = dip };
module_param_cb(dip, &dip_ops, NULL, 0200);

static void put(u8 v)
{
	int n;

	if (at == PRE_SCALE && !(reg[MODE1] & MODE1_SLEEP)) {
		wrong++;
		return;
	}
	if (at >= ALL_LED && at < PRE_SCALE) { /* reads as zero */
		for (n = 0; n < LEDS; n++)
			reg[LED0 + 4 * n + at - ALL_LED] = v;
		return;
	}
	reg[at] = v;
}

static void step(void)
{
	if (!(reg[MODE1] & MODE1_AI))
		return;
	at = at == LED0 + 4 * LEDS - 1 || at == PRE_SCALE ? 0 : at + 1;
}

static int fake_xfer(struct i2c_adapter *adap, struct i2c_msg *msgs, int num)
{
	int i, j;

	if (hang) {
		busy++;
		msleep(hang);
		busy--;
		return -ETIMEDOUT;
	}
	if (naks) {
		naks--;
		return -EREMOTEIO;
	}
	for (i = 0; i < num; i++) {
		struct i2c_msg *m = &msgs[i];

		if (m->addr != ADDR)
			return -ENXIO;
		for (j = 0; j < m->len; j++) {
			if (m->flags & I2C_M_RD) {
				m->buf[j] = reg[at];
				step();
			} else if (j == 0) {
				at = m->buf[0];
			} else {
				put(m->buf[j]);
				step();
			}
		}
	}
	return num;
}

static u32 fake_func(struct i2c_adapter *adap)
{
	return I2C_FUNC_I2C;
}

static const struct i2c_algorithm algorithm = {
	.master_xfer = fake_xfer,
	.functionality = fake_func,
};
static struct i2c_adapter adapter = {
	.owner = THIS_MODULE,
	.algo = &algorithm,
	.name = "fakei2c",
	.nr = 1,
};

static int __init fake_init(void)
{
	power_on();
	return i2c_add_numbered_adapter(&adapter);
}
module_init(fake_init);

static void __exit fake_exit(void)
{
	i2c_del_adapter(&adapter);
}
module_exit(fake_exit);

MODULE_DESCRIPTION("I2C adapter in memory with a model of a PCA9685");
MODULE_LICENSE("Dual MIT/GPL");
