"""Helpers on the path; poses kept by the tests of one run alone; every worker on a processor of its own."""

import os
import sys
import tempfile
from pathlib import Path
from typing import Any

import pytest

from armsim.processors import limit_linear_algebra

sys.path.insert(0, str(Path(__file__).parent))

if "PYTEST_XDIST_WORKER" not in os.environ:  # workers share what the first of them has found
    CACHE = tempfile.TemporaryDirectory(prefix="armsim-tests-")
    os.environ["XDG_CACHE_HOME"] = CACHE.name  # of the commands that tests start, too
limit_linear_algebra()  # as in commands; a worker has one processor

LONGEST = (
    "explorer/test_page", "report/test_fronts", "report/test_faults", "cli/test_commands", "calibration/test_calibrate",
    "report/test_document", "test_properties", "decide/test_sensitivity", "test_additions", "cli/test_terminal",
)  # fmt: skip
"""Files that take longest: begun with, so that no worker is left alone with one at the end."""


SLOW = (
    "cli/test_check_json.py::test_the_published_schema_describes_every_kind",
    "cli/test_check_json.py::test_a_budget_reads_as_in_results_json",
    "documents/test_hostile.py::test_the_benign_files_are_good_and_large",
    "report/test_faults.py::test_the_command_out_of_room",
    "test_python.py::test_help_of_a_function_is_complete_and_its_examples_run[verify]",
    "test_python.py::test_help_of_a_function_is_complete_and_its_examples_run[calibrate]",
    "explorer/test_stops.py::test_a_sensitivity_asks_before_every_number",
    "explorer/test_stops.py::test_a_search_asks_before_every_task_of_every_option",
    "explorer/test_stops.py::test_a_calibration_asks_before_every_few_arms",
    "decide/test_purchase.py::test_documents_to_the_written_scenario",
    "decide/test_purchase.py::test_types_pay_in_a_search",
    "decide/test_chosen_pairs.py::test_the_cheapest_pair_is_that_of_every_run",
    "decide/test_chosen_pairs.py::test_the_bill_has_both",
    "decide/test_robustness.py::test_near_designs_are_those_of_enumeration",
    "decide/test_robustness.py::test_rows_are_the_answers_of_changed_catalogues",
    "decide/test_robustness.py::test_the_cheapest_change_is_that_of_enumeration",
    "report/test_faults.py::test_a_killed_worker_is_told",
    "decide/test_what_fits.py::test_an_architects_day_takes_four_commands",
    "calibration/test_variance_components.py::test_likelihood_and_its_profile_are_those_of_brute_force",
    "calibration/test_calibrate.py",
    "calibration/test_case_study.py",
    "calibration/test_curve_orders.py::test_sensors_of_their_own_sheet_are_contradicted_as_seldom_as_stated",
    "calibration/test_hold_out.py",
    "calibration/test_loaded_arms.py",
    "calibration/test_outliers.py",
    "calibration/test_registration.py::test_a_tracker_file_with_joint_positions_is_enough",
    "calibration/test_registration.py::test_calibrate_identifies_the_arm_from_another_frame",
    "calibration/test_registration.py::test_sound_arms_are_called_sound_whatever_the_frame",
    "calibration/test_registration.py::test_the_instrument_of_the_scenario_is_taken",
    "calibration/test_registration.py::test_the_wrong_disc_is_found_from_another_frame",
    "calibration/test_residual_search.py::test_noise_alone_holds_no_orders",
    "calibration/test_session_plan.py",
    "calibration/test_sessions.py::test_a_file_with_everything_is_read_by_both",
    "calibration/test_sessions.py::test_sound_arms_are_called_wrong_once_in_a_hundred",
    "calibration/test_sessions.py::test_uncertainties_of_frames_and_targets_are_their_errors",
    "calibration/test_sessions.py::test_uncertainties_of_parameters_cover",
    "calibration/test_three_commands.py::test_a_table_and_an_export_are_enough",
    "calibration/test_variance_components.py::test_intervals_hold_the_factor_and_sound_causes_are_not_accused",
    "calibration/test_verify.py",
    "calibration/test_written_arm.py",
    "calibration/test_wrong_arms.py::test_it_is_so_where_the_frame_is_fitted",
    "calibration/test_wrong_arms.py::test_lost_motion_of_three_times_the_stated_is_named",
    "calibration/test_wrong_arms.py::test_what_is_expected_of_wrong_arms_is_within_two_deviations_as_often_as_of_sound_ones",
    "cli/test_check_watch.py",
    "cli/test_commands.py::test_a_named_pose_out_of_reach_is_not_met",
    "cli/test_commands.py::test_a_new_result_replaces_an_earlier_one_and_leaves_nothing_beside_it",
    "cli/test_commands.py::test_a_tolerance_in_a_scenario",
    "cli/test_commands.py::test_json_goes_to_standard_output",
    "cli/test_commands.py::test_run_leaves_everything",
    "cli/test_commands.py::test_small_and_strange_runs",
    "cli/test_commands.py::test_the_same_seed_gives_the_same_bits",
    "cli/test_set.py::test_what_if_and_allocate_see_the_change",
    "cli/test_stopping.py::test_no_process_stays_behind",
    "cli/test_stopping.py::test_stopped_while_printing",
    "cli/test_streams.py::test_a_full_standard_error_changes_no_exit_code",
    "cli/test_streams.py::test_a_full_standard_output_is_a_fault",
    "cli/test_streams.py::test_a_stream_that_is_not_wanted_changes_no_exit_code[run not met-closed-closed]",
    "cli/test_terminal.py::test_a_backend_that_is_none",
    "cli/test_terminal.py::test_a_folder_of_any_name",
    "cli/test_terminal.py::test_check_begins_with_all_joints",
    "cli/test_terminal.py::test_numbers_are_whole_at_any_width",
    "cli/test_trials.py::test_where_only_the_printing_fails",
    "core/test_compile.py::test_a_damaged_cache_is_made_anew",
    "core/test_precompile.py::test_processes_share_all_jobs_and_leave_nothing_to_compile",
    "decide/test_allocate.py::test_budgets_are_confirmed_on_other_units",
    "decide/test_allocate.py::test_the_command",
    "decide/test_answers.py::test_every_answer_keeps_to_its_published_schema",
    "decide/test_answers.py::test_the_curve_steps_by_shares_of_the_error",
    "decide/test_compare.py::test_the_command",
    "decide/test_criterion_changes.py",
    "decide/test_decision.py",
    "decide/test_enumeration.py",
    "decide/test_second_sensor.py",
    "decide/test_select.py::test_a_ball_excludes_the_choices_within_it_and_no_other",
    "decide/test_select.py::test_a_hidden_design_is_found_by_judgement_alone",
    "decide/test_select.py::test_a_margin_that_is_too_small_is_widened",
    "decide/test_select.py::test_nothing_holds",
    "decide/test_select.py::test_points_of_the_curve_tell_what_they_do_not_keep",
    "decide/test_select.py::test_the_answer_is_the_cheapest_of_all_that_hold_when_sampled",
    "decide/test_select.py::test_the_closest_is_found_far_below_the_limits",
    "decide/test_select.py::test_the_command",
    "decide/test_select.py::test_the_curve_is_that_of_enumeration",
    "decide/test_select.py::test_the_proof_counts_every_cheaper_design",
    "decide/test_sensitivity.py",
    "decide/test_slopes.py",
    "decide/test_sweep.py::test_every_point_is_a_run_of_the_changed_study",
    "decide/test_sweep.py::test_pairs_of_values_are_runs_of_both_changes",
    "decide/test_what_if.py::test_a_cause_at_one_joint_is_halved_there_alone",
    "decide/test_what_if.py::test_few_poses_tell_what_all_would",
    "decide/test_what_if.py::test_the_command",
    "documents/test_based.py::test_commands_take_it",
    "documents/test_based.py::test_it_is_the_base_with_the_changes",
    "documents/test_based.py::test_its_own_folder_takes_a_second_result",
    "documents/test_catalogue_table.py::test_a_catalogue_names_a_table_in_place_of_its_list",
    "documents/test_changes.py::test_set_on_the_command_line",
    "documents/test_chosen.py::test_select_writes_what_was_set_too",
    "documents/test_hostile.py::test_every_table_of_a_mib_is_answered_soon",
    "documents/test_names.py::test_a_joint_may_be_called_tool",
    "documents/test_to_document.py::test_a_scenario_made_in_python_is_written_and_runs_alike",
    "explorer/test_page.py",
    "explorer/test_session.py::test_an_open_answer_is_resolved_with_more_arms",
    "explorer/test_session.py::test_the_review_is_that_of_its_command",
    "explorer/test_session.py::test_the_cheapest_is_taken_and_pins_are_compared",
    "explorer/test_session.py::test_the_saved_file_runs_to_the_digits_that_are_shown",
    "figures/test_volume.py::test_it_turns_in_a_browser_and_fetches_nothing",
    "physics/test_bending.py::test_another_payload_is_not_compensated",
    "physics/test_couplings.py::test_a_palletiser_is_calibrated",
    "report/test_document.py::test_extras_stand_in_the_document",
    "report/test_document.py::test_odd_input_does_not_break_it",
    "report/test_document.py::test_print_is_not_below_eight_points",
    "report/test_document.py::test_the_page_is_accessible",
    "report/test_document.py::test_the_page_is_valid_html",
    "report/test_document.py::test_the_page_is_whole_in_a_browser",
    "report/test_document.py::test_the_page_stands_alone_and_is_small",
    "report/test_document.py::test_the_pdf_is_typeset",
    "report/test_document.py::test_the_review_of_the_demo_is_as_long_as_a_board_reads",
    "report/test_faults.py::test_killed_at_random_moments",
    "report/test_faults.py::test_out_of_room",
    "report/test_faults.py::test_two_runs_into_one_folder",
    "report/test_fronts.py::test_the_first_page_decides",
    "report/test_helpers.py",
    "report/test_manual.py::test_search_finds_a_key",
    "report/test_manual.py::test_the_python_is_as_told",
    "report/test_manual.py::test_every_lesson_with_an_error_of_its_joint_has_a_figure",
    "report/test_manual.py::test_the_answers_of_how_to_are_as_told",
    "report/test_manual.py::test_the_ten_minutes_are_as_told",
    "report/test_manual.py::test_the_whole_decision_is_as_told",
    "report/test_nothing_lost.py::test_a_choice_is_written_though_nobody_reads",
    "report/test_nothing_lost.py::test_two_starters_do_not_share_a_folder",
    "report/test_provenance.py::test_results_follow_the_schema[1-1-bonding-cell]",
    "report/test_provenance.py::test_results_follow_the_schema[1-1-every-task]",
    "report/test_provenance.py::test_results_follow_the_schema[30-2-every-task]",
    "report/test_reviews.py",
    "report/test_shares.py::test_all_places_show_the_same_share",
    "report/test_shares.py::test_the_first_page_recommends_what_gains_most",
    "report/test_shares.py::test_what_is_left_without_a_part_is_what_a_run_samples",
    "report/test_slides_workbook.py",
    "report/test_workbook.py",
    "requirement/test_criteria.py::test_it_is_read_from_a_file_and_told",
    "requirement/test_task_limits.py::test_it_is_told_where_the_scenarios_is",
    "sampling/test_devices.py::test_a_simulated_device_samples_as_the_processor",
    "sampling/test_growth.py::test_a_population_grows_in_processes_too",
    "sampling/test_growth.py::test_memory_changes_no_bit",
    "sampling/test_growth.py::test_five_thousand_poses_keep_to_the_memory",
    "sampling/test_growth.py::test_the_last_answer_is_that_of_a_run",
    "sampling/test_joint_curves.py::test_the_band_bounds_the_quantiles_and_is_touched",
    "sampling/test_joint_curves.py::test_what_a_unit_sweeps_is_what_it_does",
    "sampling/test_long_runs.py",
    "sampling/test_motion.py::test_a_rough_joint_fails_the_requirement",
    "sampling/test_operation.py::test_eccentricity_and_runout_turn_together",
    "sampling/test_operation.py::test_the_commands_tell",
    "sampling/test_propagation.py::test_monte_carlo_against_first_order_over_two_hundred_poses",
    "sampling/test_run.py::test_a_cluster_that_loses_a_worker_in_mid_run",
    "sampling/test_run.py::test_any_number_of_threads",
    "sampling/test_run.py::test_processes",
    "sampling/test_run.py::test_the_measured_peak_stays_below_the_estimate",
    "sampling/test_statistics.py::test_interval_of_a_nested_quantile_covers",
    "sampling/test_verdict.py::test_the_yield_depends_on_neither_visits_nor_grid",
    "sampling/test_visit_distribution.py::test_a_unit_has_what_endless_visits_show",
    "sampling/test_visit_distribution.py::test_errors_kept_change_repeatability_as_they_turn_the_jacobian",
    "sampling/test_visit_distribution.py::test_the_interval_of_the_integration_covers",
    "tasks/test_envelope.py::test_a_slice_without_ends_looks_as_far_as_a_scara_reaches",
    "tasks/test_reach.py::test_cells_of_a_redundant_arm_are_those_of_an_independent_solver",
    "tasks/test_reach.py::test_poses_of_forward_kinematics_are_found",
    "test_additions.py",
    "test_consistency.py",
    "test_extremes.py::test_one_unit_and_one_visit",
    "test_notebook.py::test_figures_are_drawn_on_given_axes",
    "test_notebook.py::test_the_tour_runs",
    "test_properties.py::test_a_spoilt_document_is_told_and_nothing_else",
    "test_properties.py::test_an_added_error_never_lowers_the_scatter",
    "test_properties.py::test_doubling_every_error_doubles_the_first_order",
    "test_properties.py::test_every_machine_runs_and_its_result_is_sound",
    "test_properties.py::test_the_order_of_causes_does_not_matter",
    "test_properties.py::test_turning_the_base_turns_the_covariance",
    "test_python.py::test_a_dataset_of_xarray_has_the_cells_of_a_slice",
    "test_readme.py::test_the_numbers_of_the_decision_are_what_the_command_prints",
    "test_readme.py::test_the_table_of_validation_is_what_its_script_prints",
    "test_readme.py::test_what_the_tests_try_is_told_as_it_is",
    "test_supply.py::test_no_network_at_run_time",
)
"""Tests, and files of them, that are slow by nature: coverage by repetition, kills, whole commands with all documents. They carry the mark
``slow``, are left out where nothing is said, and run in `.ci/run`: ``pytest -m slow``."""


def pytest_configure(config: Any) -> None:
    """Compile the kernels once, before the workers would each; helpers and threads of a worker would take the time of
    the others."""
    worker = os.environ.get("PYTEST_XDIST_WORKER", "")
    if not worker and getattr(config.option, "numprocesses", None) and not config.option.collectonly:
        from armsim.run_options import no_note, no_progress
        from armsim.sampling.kernels import compiled_kernels

        with compiled_kernels(no_progress, no_note) as wait_for_kernels:
            wait_for_kernels()
    if worker.startswith("gw") and hasattr(os, "sched_setaffinity"):
        allowed = sorted(os.sched_getaffinity(0))
        os.sched_setaffinity(0, {allowed[int(worker[2:]) % len(allowed)]})


def pytest_collection_modifyitems(items: list[Any]) -> None:
    """The longest first; the rest in their order."""

    def place(item: Any) -> int:
        path = str(item.path)
        return next((n for n, name in enumerate(LONGEST) if name in path), len(LONGEST))

    items.sort(key=place)
    for item in items:
        case = item.nodeid.removeprefix("tests/")
        name = case.partition("[")[0]
        if not {case, name, name.partition("::")[0]}.isdisjoint(SLOW):
            item.add_marker(pytest.mark.slow)
