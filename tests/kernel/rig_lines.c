// SPDX-License-Identifier: GPL-2.0-or-later
/* A GPIO chip for the emulated machine: 8 lines whose levels are set by writing "LINE LEVEL" to /dev/rig-lines, and
 * read there as eight digits. "turn STEPS MICROSECONDS" turns a disc with two channels on lines 4 and 5 by so many
 * steps (negative: backwards), one each so many microseconds. Edges come through the kernel's own gpiolib, as
 * interrupts do. The distribution's kernels have no simulator of GPIO; to build theirs needs the kernel's whole source
 * (139 MB), this one needs its headers alone (14 MB). */
#include <linux/gpio/driver.h>
#include <linux/interrupt.h>
#include <linux/irq.h>
#include <linux/miscdevice.h>
#include <linux/module.h>
#include <linux/uaccess.h>

#define LINES 8
#define CHANNEL_A 4
#define YIELDS_US 100 /* faster than that nobody sees the edges apart */

static unsigned long level, masked = ~0ul;
static unsigned int type[LINES];
static int phase;

static int get_direction(struct gpio_chip *gc, unsigned int line)
{
	return line == 7 ? GPIO_LINE_DIRECTION_OUT : GPIO_LINE_DIRECTION_IN;
}

static int input(struct gpio_chip *gc, unsigned int line)
{
	return 0;
}

static int get(struct gpio_chip *gc, unsigned int line)
{
	return test_bit(line, &level);
}

static void set(struct gpio_chip *gc, unsigned int line, int value)
{
	assign_bit(line, &level, value);
}

static int output(struct gpio_chip *gc, unsigned int line, int value)
{
	set(gc, line, value);
	return 0;
}

static int set_config(struct gpio_chip *gc, unsigned int line, unsigned long config)
{
	return 0; /* a pull-up or pull-down: the level is said by hand anyway */
}

static const char *const names[LINES] = { "ESTOP", "GUARD", "AUX", "SPARE", "PULSE-A", "PULSE-B", "HEATING", "RELAY" };

static struct gpio_chip chip = {
	.label = "rig-lines",
	.owner = THIS_MODULE,
	.base = -1,
	.ngpio = LINES,
	.names = names,
	.get_direction = get_direction,
	.direction_input = input,
	.direction_output = output,
	.get = get,
	.set = set,
	.set_config = set_config,
};

static void mask(struct irq_data *d)
{
	set_bit(irqd_to_hwirq(d), &masked);
	gpiochip_disable_irq(&chip, irqd_to_hwirq(d));
}

static void unmask(struct irq_data *d)
{
	gpiochip_enable_irq(&chip, irqd_to_hwirq(d));
	clear_bit(irqd_to_hwirq(d), &masked);
}

static void ack(struct irq_data *d) {}

static int set_type(struct irq_data *d, unsigned int edges)
{
	type[irqd_to_hwirq(d)] = edges;
	return 0;
}

static const struct irq_chip lines_irq = {
	.name = "rig-lines",
	.irq_ack = ack,
	.irq_mask = mask,
	.irq_unmask = unmask,
	.irq_set_type = set_type,
	.flags = IRQCHIP_IMMUTABLE,
	GPIOCHIP_IRQ_RESOURCE_HELPERS,
};

static void drive(unsigned int line, bool high)
{
	unsigned int edge = high ? IRQ_TYPE_EDGE_RISING : IRQ_TYPE_EDGE_FALLING;

	if (test_bit(line, &level) == high)
		return;
	assign_bit(line, &level, high);
	if (!test_bit(line, &masked) && type[line] & edge)
		generic_handle_irq_safe(irq_find_mapping(chip.irq.domain, line));
}

/* A is high in the first half of a period, B a quarter behind. */
static void turn(int steps, unsigned int us)
{
	ktime_t at = ktime_get();

	for (int i = 0; i != steps; i += steps < 0 ? -1 : 1) {
		phase = (phase + (steps < 0 ? 3 : 1)) & 3;
		at = ktime_add_us(at, us);
		while (ktime_before(ktime_get(), at)) {
			if (us >= YIELDS_US)
				cond_resched();
		}
		drive(CHANNEL_A, phase == 1 || phase == 2);
		drive(CHANNEL_A + 1, phase == 2 || phase == 3);
		if (us >= YIELDS_US)
			cond_resched(); /* the kernel's thread of that line takes the edge now */
	}
}

static ssize_t write_lines(struct file *file, const char __user *from, size_t n, loff_t *at)
{
	char text[40] = "";
	unsigned int line, value;
	int steps;

	if (n >= sizeof text || copy_from_user(text, from, n))
		return -EINVAL;
	if (sscanf(text, "turn %d %u", &steps, &value) == 2)
		turn(steps, value);
	else if (sscanf(text, "%u %u", &line, &value) == 2 && line < LINES)
		drive(line, value);
	else
		return -EINVAL;
	return n;
}

static ssize_t read_lines(struct file *file, char __user *to, size_t n, loff_t *at)
{
	char text[LINES + 1];

	for (int i = 0; i < LINES; i++)
		text[i] = test_bit(i, &level) ? '1' : '0';
	return simple_read_from_buffer(to, n, at, text, LINES);
}

static const struct file_operations ops = { .owner = THIS_MODULE, .write = write_lines, .read = read_lines };
static struct miscdevice misc = { .minor = MISC_DYNAMIC_MINOR, .name = "rig-lines", .fops = &ops };

static int __init start(void)
{
	struct gpio_irq_chip *girq = &chip.irq;
	int error;

	gpio_irq_chip_set_chip(girq, &lines_irq);
	girq->handler = handle_simple_irq;
	girq->default_type = IRQ_TYPE_NONE;
	error = gpiochip_add_data(&chip, NULL);
	return error ? error : misc_register(&misc);
}

static void __exit end(void)
{
	misc_deregister(&misc);
	gpiochip_remove(&chip);
}

module_init(start);
module_exit(end);
MODULE_DESCRIPTION("GPIO lines that a test sets by hand");
MODULE_LICENSE("GPL");
