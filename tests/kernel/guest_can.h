/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A virtual CAN interface of the kernel (vcan0, made by init): skipped where the kernel has none. */
#ifndef BRIDLE_TESTS_KERNEL_GUEST_CAN_H
#define BRIDLE_TESTS_KERNEL_GUEST_CAN_H

void frames_cross_a_bus_both_ways(void **state);
void only_the_frames_of_a_filter_come_in(void **state);
/* Of a drive: what the program's side reads, commands and, by the warden's bytes on the descriptor, switches off. */
void a_can_drive_is_read_and_switched_off(void **state);
/* Last: the interface is down after it. */
void an_interface_that_goes_down_is_a_line_that_ended(void **state);

#endif
