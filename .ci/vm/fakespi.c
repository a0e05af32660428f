// SPDX-License-Identifier: (GPL-2.0 OR MIT)
/*
 * An SPI controller that exists only in memory, with a model of one MCP3208
 * at chip select 0, clock by clock after figure 6-1 of its data sheet
 * (Microchip DS21298E). It shows up as /dev/spidev0.0.
 *
 * Each input sees a sine of its own height about mid-scale, so the driver
 * reads what a current transformer would give. Parameters below
 * /sys/module/fakespi/parameters:
 *
 *	peak    height of each input's sine, in codes
 *	mhz     its frequency in millihertz
 *	dead    1: nobody drives the data line, which floats high
 *	frames  chip selects that carried a whole conversion
 *	short   chip selects that ended before the last bit
 */
#include <linux/ktime.h>
#include <linux/math64.h>
#include <linux/module.h>
#include <linux/platform_device.h>
#include <linux/spi/spi.h>

#define INPUTS 8
#define MID 2048
#define TOP 4095

static uint peak[INPUTS];
module_param_array(peak, uint, NULL, 0644);
static uint mhz = 60000;
module_param(mhz, uint, 0644);
static bool dead;
module_param(dead, bool, 0644);
static uint frames;
module_param(frames, uint, 0444);
static uint cut;
module_param_named(short, cut, uint, 0444);

/* A quarter of a sine in 64 steps, 32767 high. */
static const s16 quarter[65] = {
	0, 804, 1608, 2410, 3212, 4011, 4808, 5602, 6393, 7179, 7962, 8739,
	9512, 10278, 11039, 11793, 12539, 13279, 14010, 14732, 15446, 16151,
	16846, 17530, 18204, 18868, 19519, 20159, 20787, 21403, 22005, 22594,
	23170, 23731, 24279, 24811, 25329, 25832, 26319, 26790, 27245, 27683,
	28105, 28510, 28898, 29268, 29621, 29956, 30273, 30571, 30852, 31113,
	31356, 31580, 31785, 31971, 32137, 32285, 32412, 32521, 32609, 32678,
	32728, 32757, 32767,
};

static int sine(unsigned int phase) /* 256 steps a turn */
{
	unsigned int i = phase & 63;

	switch ((phase >> 6) & 3) {
	case 0:
		return quarter[i];
	case 1:
		return quarter[64 - i];
	case 2:
		return -quarter[i];
	default:
		return -quarter[64 - i];
	}
}

/* What an input is worth now. */
static u16 sample(unsigned int input)
{
	/* In 1/256 turns: ns * mhz / 1000 / 1e9 * 256. */
	u64 us = div_u64(ktime_get_ns(), 1000);
	unsigned int phase = div_u64(us * mhz, 3906250);
	int code = MID + (int)peak[input] * sine(phase) / 32767;

	return clamp(code, 0, TOP);
}

/* The converter's state since its chip select fell. */
static struct {
	bool started;   /* the start bit has been seen */
	int clocks;     /* since the start bit */
	unsigned int config; /* single-ended, D2, D1, D0 */
	u16 code;
} adc;

/* clock_in takes one bit of DIN and gives the bit of DOUT. */
static int clock_in(int din)
{
	int n;

	if (!adc.started) {
		adc.started = din;
		return 0;
	}
	n = ++adc.clocks;
	if (n <= 4) {
		adc.config = adc.config << 1 | din;
		return 0;
	}
	if (n == 5) { /* the sample is taken */
		adc.code = sample(adc.config & 7);
		return 0;
	}
	if (n == 6) /* null bit */
		return 0;
	if (n <= 18) /* B11 to B0 */
		return adc.code >> (18 - n) & 1;
	if (n <= 29) /* B1 to B11 */
		return adc.code >> (n - 18) & 1;
	return 0;
}

static void fake_cs(struct spi_device *spi, bool high)
{
	if (high && adc.started) {
		if (adc.clocks >= 18)
			frames++;
		else
			cut++;
	}
	memset(&adc, 0, sizeof(adc));
}

static int fake_transfer(struct spi_controller *ctlr, struct spi_device *spi, struct spi_transfer *t)
{
	const u8 *tx = t->tx_buf;
	u8 *rx = t->rx_buf;
	unsigned int i;

	for (i = 0; i < t->len; i++) {
		u8 in = tx ? tx[i] : 0, out = 0;
		int bit;

		for (bit = 7; bit >= 0; bit--)
			out = out << 1 | clock_in(in >> bit & 1);
		if (rx)
			rx[i] = dead ? 0xff : out;
	}
	return 0;
}

static int fake_probe(struct platform_device *pdev)
{
	/* spidev takes only devices that it knows; this is one of them. */
	static struct spi_board_info chip = {
		.modalias = "dh2228fv",
		.max_speed_hz = 2000000,
		.mode = SPI_MODE_0,
	};
	struct spi_controller *ctlr = devm_spi_alloc_master(&pdev->dev, 0);
	int err;

	if (!ctlr)
		return -ENOMEM;
	ctlr->bus_num = 0;
	ctlr->num_chipselect = 1;
	ctlr->mode_bits = SPI_CPOL | SPI_CPHA;
	ctlr->bits_per_word_mask = SPI_BPW_MASK(8);
	ctlr->set_cs = fake_cs;
	ctlr->transfer_one = fake_transfer;
	err = devm_spi_register_controller(&pdev->dev, ctlr);
	if (err)
		return err;
	return spi_new_device(ctlr, &chip) ? 0 : -ENODEV;
}

static struct platform_driver fake_driver = {
	.probe = fake_probe,
	.driver = { .name = "fakespi" },
};
static struct platform_device *device;

static int __init fake_init(void)
{
	int err = platform_driver_register(&fake_driver);

	if (err)
		return err;
	device = platform_device_register_simple("fakespi", PLATFORM_DEVID_NONE, NULL, 0);
	if (IS_ERR(device)) {
		platform_driver_unregister(&fake_driver);
		return PTR_ERR(device);
	}
	return 0;
}
module_init(fake_init);

static void __exit fake_exit(void)
{
	platform_device_unregister(device);
	platform_driver_unregister(&fake_driver);
}
module_exit(fake_exit);

MODULE_DESCRIPTION("SPI controller in memory with a model of an MCP3208");
MODULE_LICENSE("Dual MIT/GPL");
