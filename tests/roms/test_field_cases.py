"""Each field case that is known to us has a test, or the reason for which it cannot be said.

The cases are kept in a sheet of their own, beside the repository; their numbers are those of that sheet.
"""

from __future__ import annotations

import ast
from pathlib import Path

HERE = Path(__file__).parent
TESTED = {
    "wiring": {
        "F01": "test_exchanged_chip_selects_fight_the_rom_from_the_first_fetch",
        "F04": "test_with_a14_of_the_rom_stuck_low_the_fill_byte_becomes_the_start_address",
        "F06": "test_exchanged_data_lines_at_the_rom_make_other_instructions",
        "F09": "test_reversed_register_selects_reach_other_registers",
        "F10": "test_without_ram_the_first_rts_goes_astray",
        "F12": "test_a_bank_latch_clocked_by_its_select_alone_loads_on_reads",
        "F17": "test_a_chip_without_its_ground_is_told_before_the_first_cycle",
        "F19": "test_a_bus_monitor_with_its_probes_in_reverse_shows_57_for_ea_while_the_machine_runs_well",
        "F21": "test_a_cmos_part_in_a_socket_for_the_nmos_part_is_told_what_its_pins_meet",
    },
    "rom": {
        "F22": "test_exchanged_vectors_leave_the_interrupt_line_low_for_ever",
        "F23": "test_an_8k_image_at_the_bottom_of_a_32k_part_starts_at_ffff",
        "F25": "test_a_decimal_80_hid_a_bad_answer",
        "F27": "test_a_65c02_opcode_on_the_nmos_part_never_ends_the_delay",
        "F29": "test_an_indirect_jump_from_the_end_of_a_page",
    },
    "interrupts": {
        "F30": "test_waiting_for_the_wrong_flag_ends_at_a_random_time_when_ca1_floats",
        "F32": "test_a_handler_that_clears_all_flags_loses_the_second_interrupt",
        "F34": "test_an_interrupt_that_spoils_what_main_uses",
        "F35": "test_an_interrupt_that_spoils_what_main_uses",
        "F37": "test_brk_swallows_the_byte_behind_it",
        "F39": "test_an_open_control_line_storms_and_a_grounded_one_is_calm",
        "F40": "test_the_start_waits_for_a_busy_flag_that_floats",
    },
    "keys_and_pads": {
        "F42": "test_a_keyboard_slower_than_the_window_is_never_heard_and_keeps_its_codes",
        "F43": "test_an_end_of_frame_seen_several_times_makes_as_many_codes_and_interrupts_of_one_frame",
        "F45": "test_an_arrow_key_is_no_figure_and_no_release_is_a_press",
    },
    "serial": {
        "F47": "test_a_clock_of_its_own_loses_bits_in_the_shift_register_unless_resynchronised",
        "F49": "test_polled_output_runs_over_the_later_part",
        "F52": "test_a_rom_that_sends_carriage_returns_alone_overwrites_its_line",
    },
    "reads": {
        "F53": "test_video_memory_written_too_fast_while_the_picture_is_on",
        "F56": "test_an_indexed_store_reads_its_target_first_unless_a_page_is_crossed",
        "F58": "test_looking_at_port_a_eats_the_key_strobe",
        "F60": "test_memory_sizing_pokes_the_first_card_behind_ram",
    },
    "time": {
        "F61": "test_timer_1_repeats_every_latch_and_two_cycles",
        "F63": "test_a_delay_loop_across_a_page_takes_longer",
        "F64": "test_a_display_that_nobody_waits_for_takes_its_letter_on_the_slow_clock_alone",
        "F70": "test_the_129th_nested_call_overwrites_the_first_return",
    },
}
"""By module and case the test that takes its program and wiring."""

CANNOT_BE_SAID = {
    "F68": "the kit has neither a memory card with its start-up rules nor a shift register that clocks one at a chosen "
    "speed; both would have to be written for the test alone, which would then try itself",
}
"""By case why it has no test."""

CASES = (
    *("F01", "F04", "F06", "F09", "F10", "F12", "F17", "F19", "F21"),
    *("F22", "F23", "F25", "F27", "F29"),
    *("F30", "F32", "F34", "F35", "F37", "F39", "F40"),
    *("F42", "F43", "F45", "F47"),
    *("F49", "F52", "F53", "F56", "F58", "F60"),
    *("F61", "F63", "F64", "F68", "F70"),
)


def collected(module):
    """Names of the tests of a module, those that are left out of a run excepted."""
    tree = ast.parse((HERE / f"test_field_cases_{module}.py").read_text())
    return {
        node.name
        for node in tree.body
        if isinstance(node, ast.FunctionDef)
        and node.name.startswith("test_")
        and not any("skip" in (mark := ast.unparse(one)) or "xfail" in mark for one in node.decorator_list)
    }


def test_every_field_case_has_a_test_or_a_reason():
    tested = [case for module in TESTED.values() for case in module]
    assert sorted([*tested, *CANNOT_BE_SAID]) == sorted(CASES)
    for module, tests in TESTED.items():
        assert not set(tests.values()) - collected(module), module
