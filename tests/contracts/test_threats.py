"""The threats to this tool and the tests that meet them, as one table that cannot point at a test that is gone.

Print it with `python tests/contracts/test_threats.py`, or with `pytest -s`. `left` says what is not tested yet and why;
a threat without any test must have it.
"""

from __future__ import annotations

import ast
import sys
import time
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest
from each_case import check_each

TESTS = Path(__file__).resolve().parents[1]
PACKAGE = TESTS.parent / "riskmap"


@dataclass(frozen=True)
class Threat:
    """One threat: its number in the list, what it is, the tests that meet it, and what is left."""

    number: int
    words: str
    tests: tuple[str, ...]
    left: str = ""

    @property
    def standing(self) -> str:
        return "not yet" if not self.tests else "partly" if self.left else "tested"


THREATS = (
    Threat(1, "text of the data run as a template", (
        "unit/outputs/test_outputs_tables.py::test_nothing_was_evaluated",
        "unit/outputs/test_export_formats.py::test_no_template_was_evaluated",
        "unit/outputs/test_outputs_web_map_page.py::test_no_data_reached_the_page_outside_the_block")),
    Threat(2, "text of the data run as script or markup", (
        "browser/test_web_map_browser.py::test_hostile_text_is_shown_and_nothing_runs",
        "browser/test_hostile_corpus_browser.py::test_every_text_as_an_id_is_shown_and_nothing_runs",
        "browser/test_hostile_corpus_browser.py::test_other_columns_are_shown_as_they_are",
        "unit/outputs/test_outputs_web_map_page.py::test_only_our_scripts_may_run",
        "unit/outputs/test_outputs_web_map_page.py::test_own_script_makes_nodes_from_text_only")),
    Threat(3, "text cell run as a formula", (
        "contracts/test_every_csv_is_guarded.py::test_hostile_texts_run_in_no_csv",
        "contracts/test_every_csv_is_guarded.py::test_every_writer_of_csv_is_among_them",
        "unit/outputs/test_outputs_tables.py::test_csv_has_no_cell_that_runs",
        "unit/outputs/test_outputs_tables.py::test_csv_leaves_negative_numbers_alone",
        "unit/outputs/test_outputs_tables.py::test_the_guard_can_be_undone",
        "unit/outputs/test_public_table_groups.py::test_files_hold_the_tables_and_no_identifier",
        "unit/outputs/test_export_formats.py::test_csv_has_no_cell_that_a_spreadsheet_would_run",
        "unit/outputs/test_export_formats.py::test_xlsx_holds_texts_as_texts_and_no_formula_or_link")),
    Threat(4, "archive that points outside", (
        "unit/layers/test_lots_reader.py::test_zip_that_points_outside_is_refused",
        "unit/layers/test_lots_reader.py::test_zip_with_a_link_is_refused",
        "unit/layers/test_soil_reader.py::test_names_that_leave_the_archive_are_refused",
        "unit/layers/test_soil_reader.py::test_links_are_refused")),
    Threat(5, "archive that unpacks without end", (
        "unit/layers/test_lots_reader.py::test_zip_that_unpacks_beyond_reason_is_refused",
        "unit/download/test_fetch_drought_climate.py::test_bombs_are_not_unpacked",
        "faults/test_fetch_misbehaving_services.py::test_gzip_honest_lying_cut_and_bomb",
        "faults/test_lying_archives.py::test_a_lying_shapefile_is_refused_without_unpacking",
        "faults/test_lying_archives.py::test_a_lying_kmz_is_refused_without_unpacking",
        "faults/test_lying_archives.py::test_a_lying_soil_download_is_refused_without_unpacking",
        "unit/layers/test_soil_judged.py::test_what_is_no_table_is_refused_before_it_is_parsed")),
    Threat(6, "entities in XML", (
        "unit/layers/test_lots_kml_reader.py::test_entities_and_doctypes_are_refused",
        "unit/layers/test_lots_kml_reader.py::test_links_are_listed_and_not_followed")),
    Threat(7, "name of a run or a lot used as a path", (
        "faults/test_run_folder_faults.py::test_every_area_name_gives_a_plain_folder_name",
        "faults/test_run_folder_faults.py::test_a_spoilt_pointer_points_nowhere",
        "unit/run/test_manifest_run.py::test_verify_does_not_leave_the_run_folder",
        "unit/run/test_manifest_run.py::test_inputs_are_looked_for_below_the_folder_only",
        "faults/test_foreign_runs.py::test_links_in_a_run_are_not_followed")),
    Threat(8, "query made from hostile keys", (
        "unit/download/test_fetch_soil_survey.py::test_only_digits_reach_a_query",
        "unit/download/test_fetch_soil_survey.py::test_hostile_keys",
        "unit/layers/test_soil_template.py::test_quotes_and_spaces_in_the_path")),
    Threat(9, "request led to another host", (
        "faults/test_fetch_misbehaving_services.py::test_only_listed_hosts_over_https",
        "faults/test_fetch_misbehaving_services.py::test_a_listed_name_that_leads_inside_is_refused",
        "faults/test_fetch_misbehaving_services.py::test_redirects_elsewhere_are_not_followed",
        "unit/download/test_fetch_area.py::test_nothing_of_the_lots_is_sent_but_the_box",
        "unit/run/test_checking_report.py::test_no_network_is_touched")),
    Threat(10, "slow, cut or wrong download", (
        "faults/test_fetch_misbehaving_services.py::test_server_that_hangs",
        "faults/test_fetch_misbehaving_services.py::test_answer_cut_at_any_byte",
        "faults/test_fetch_misbehaving_services.py::test_outage_page_with_status_200",
        "unit/download/test_fetch_soil_survey.py::test_as_many_rows_as_the_limit_are_suspicious",
        "unit/download/test_fetch_area.py::test_a_service_that_misbehaves_costs_its_own_part_only",
        "unit/layers/test_lots_reader.py::test_content_that_is_not_the_format_is_refused")),
    Threat(11, "killed in mid-run", (
        "faults/test_run_folder_faults.py::test_kill_at_any_moment_keeps_what_was_announced",
        "faults/test_run_folder_faults.py::test_leftovers_of_a_killed_run_are_removed_and_live_runs_left_alone",
        "faults/test_kill_and_hammer.py::test_killed_runs_leave_only_whole_ones",
        "regression/test_reuse_is_exact.py::test_a_stopped_run_goes_on_where_it_was")),
    Threat(12, "full or read-only disk", (
        "faults/test_run_folder_faults.py::test_a_full_disk_is_said_in_words",
        "faults/test_run_folder_faults.py::test_a_failing_system_call_never_shows_half_a_run",
        "faults/test_every_write_fails_once.py::test_an_error_at_every_write",
        "faults/test_window_faults.py::test_a_disk_that_is_full_is_said_and_nothing_is_half_written",
        "faults/test_window_faults.py::test_an_answer_that_cannot_be_written_is_said")),
    Threat(13, "two runs, one folder", (
        "faults/test_run_folder_faults.py::test_many_runs_at_once_do_not_mix",
        "faults/test_run_folder_faults.py::test_a_planted_link_is_not_followed",
        "faults/test_kill_and_hammer.py::test_many_runs_into_one_folder_are_all_whole")),
    Threat(14, "damaged store of downloads", (
        "faults/test_fetch_misbehaving_services.py::test_cache_answers_offline_and_survives_damage",
        "unit/run/test_store_reuse.py::test_a_damaged_file_is_dropped")),
    Threat(15, "values that are no finite number", (
        "unit/layers/test_soil_reader.py::test_infinite_numbers_are_not_numbers",
        "unit/layers/test_lots_reader.py::test_csv_of_points_is_in_degrees_and_tells_bad_numbers",
        "properties/test_movement_robust.py::test_only_finite_ordered_numbers_leave_the_core",
        "properties/test_rows_never_lost.py::test_the_whole_job_loses_no_row",
        "unit/outputs/test_outputs_tables.py::test_geopackage_holds_every_value_and_row_without_shape")),
    Threat(16, "shape that is invalid, empty, missing, curved or mixed", (
        "properties/test_rows_never_lost.py::test_every_fault_alone_is_answered_in_the_whole_job",
        "properties/test_lots_rows.py::test_rows_out_are_rows_in",
        "unit/lots/test_lots_clean.py::test_unusable_shapes_are_unmatched_and_kept",
        "unit/lots/test_lots_clean.py::test_holes_and_parts_stay_and_heights_go",
        "unit/lots/test_lots_clean.py::test_collections_give_all_their_polygons_however_deep",
        "unit/layers/test_lots_csv_mess.py::test_collections_without_end_do_not_end_the_program",
        "unit/layers/test_lots_crs_help.py::test_curves_become_chords_and_are_told")),
    Threat(17, "missing or wrong coordinate system", (
        "verification/test_lots_same_place_in_six_systems.py::test_same_place_and_area",
        "unit/layers/test_lots_reader.py::test_no_coordinate_system_is_refused_with_candidates",
        "unit/layers/test_lots_crs_help.py::test_the_line_to_write_is_the_system_the_lots_are_in",
        "unit/layers/test_lots_crs_help.py::test_the_two_kinds_of_feet_are_told_apart_with_their_distance",
        "unit/layers/test_lots_reader.py::test_stated_system_never_overrides_the_files_own")),
    Threat(18, "latitude and longitude swapped", (
        "unit/lots/test_lots_clean.py::test_swapped_degrees_are_told",
        "unit/lots/test_lots_clean.py::test_a_file_with_swapped_degrees_is_told_once_and_never_exchanged",
        "unit/lots/test_lots_clean.py::test_single_misplaced_rows_are_told_with_their_row")),
    Threat(19, "identifier that stands twice", (
        "unit/lots/test_lots_clean.py::test_repeated_identifiers_are_reported_in_pairs_and_each_answered",
        "unit/layers/test_lots_reader.py::test_duplicates_can_be_refused",
        "properties/test_rows_never_lost.py::test_the_whole_job_loses_no_row")),
    Threat(20, "date that can be read in two ways or in none", (
        "unit/lots/test_lots_pour_date.py::test_what_cannot_be_read_is_told_and_unknown",
        "unit/lots/test_lots_pour_date.py::test_accepted_forms",
        "unit/lots/test_lots_clean.py::test_pours_of_this_month_or_later")),
    Threat(21, "time zone", (
        "faults/test_run_folder_faults.py::test_time_is_utc_whatever_the_zone",
        "faults/test_zones_and_locales.py::test_numbers_do_not_know_where_they_are_computed")),
    Threat(22, "empty, missing, repeated or nested weekly map", (
        "unit/layers/test_drought_readers.py::test_week_without_any_feature_counts",
        "unit/layers/test_drought_readers.py::test_same_week_twice_is_used_once_when_both_are_the_same",
        "unit/layers/test_drought_readers.py::test_of_two_maps_of_a_week_that_differ_neither_is_used",
        "unit/layers/test_drought_readers.py::test_a_map_whose_classes_cannot_be_known_is_no_map_of_its_week",
        "unit/layers/test_drought_readers.py::test_nested_classes_are_detected_and_cut",
        "unit/climate/test_climate_attach.py::test_month_without_a_map_has_no_score")),
    Threat(23, "lot outside what the layers cover", (
        "unit/soil/test_soil_attach.py::test_ground_without_profile_is_a_state_never_zero",
        "unit/climate/test_climate_attach.py::test_no_lots_and_no_lot_in_any_cell",
        "unit/climate/test_climate_attach.py::test_outside_what_the_maps_cover_there_is_no_category",
        "properties/test_rows_never_lost.py::test_every_fault_alone_is_answered_in_the_whole_job")),
    Threat(24, "overflow and memory", (
        "unit/outputs/test_outputs_encode.py::test_a_number_too_large_is_refused",
        "unit/layers/test_soil_key_raster.py::test_lots_elsewhere_and_too_many_cells_are_refused",
        "unit/run/test_memory_refusal.py::test_too_many_lots_are_refused_with_numbers",
        "unit/run/test_memory_refusal.py::test_an_estimate_asks_before_it_computes")),
    Threat(25, "text traps", (
        "unit/outputs/test_outputs_tables.py::test_csv_holds_every_value",
        "properties/test_lots_rows.py::test_csv_gives_back_every_identifier",
        "unit/outputs/test_export_formats.py::test_every_format_holds_the_same_rows_and_values",
        "browser/test_web_map_browser.py::test_hostile_text_is_shown_and_nothing_runs")),
    Threat(26, "locale and decimals", (
        "unit/layers/test_lots_reader.py::test_csv_of_points_is_in_degrees_and_tells_bad_numbers",
        "faults/test_zones_and_locales.py::test_numbers_do_not_know_where_they_are_computed")),
    Threat(27, "shapefile without a part", (
        "unit/layers/test_lots_reader.py::test_shapefile_without_a_part_is_refused",
        "unit/layers/test_soil_reader.py::test_missing_prj_alone_is_refused_never_assumed",
        "unit/layers/test_soil_reader.py::test_every_missing_piece_of_every_download_is_named_at_once")),
    Threat(28, "loading that runs code", (
        "contracts/test_threats.py::test_nothing_is_loaded_that_can_run",
        "unit/answers/test_calibrate.py::test_hostile_files_are_refused_at_once")),
    Threat(29, "pattern that takes for ever", (
        "contracts/test_threats.py::test_long_texts_are_read_in_time",)),
    Threat(30, "people in outputs, messages or stores", (
        "faults/test_privacy_canaries.py::test_no_marked_value_is_in_any_output_log_or_cache",
        "faults/test_privacy_canaries.py::test_names_of_refused_columns_stand_in_one_finding_only",
        "faults/test_privacy_canaries.py::test_no_user_name_and_no_path_of_the_machine",
        "faults/test_privacy_canaries.py::test_public_output_names_no_lot_no_date_and_no_outline",
        "faults/test_foreign_runs.py::test_export_writes_only_columns_of_the_dictionary",
        "unit/outputs/test_public_table_groups.py::test_every_group_has_k_lots_and_every_lot_is_counted_once")),
    Threat(31, "what is built in", (
        "unit/outputs/test_outputs_web_map_page.py::test_vendored_files_are_what_was_published",),
        "an install from a locked set with the network off belongs to the release"),
    Threat(32, "other numbers after an upgrade", (
        "regression/test_example_run.py::test_numbers_are_the_stored_ones",)),
    Threat(33, "limits that differ by area", (
        "unit/answers/test_screening_lists.py::test_bands_that_differ_by_place_or_group_are_refused",
        "unit/answers/test_screening_lists.py::test_rows_out_are_rows_in_and_the_group_never_enters_a_number")),
    Threat(34, "hostile survey in the calibration", (
        "unit/answers/test_calibrate.py::test_rows_that_cannot_be_used_are_told_and_kept",
        "unit/answers/test_calibrate.py::test_rows_of_a_house_that_contradict_each_other_bar_the_house",
        "unit/answers/test_calibrate.py::test_files_that_are_no_table",
        "unit/answers/test_calibrate.py::test_people_reach_no_file",
        "unit/answers/test_calibrate.py::test_splits_keep_block_house_and_neighbourhood_apart",
        "unit/answers/test_calibrate.py::test_hostile_values_are_refused",
        "unit/answers/test_calibrate.py::test_hostile_files_are_refused_at_once",
        "validation/test_calibration_truth.py::test_a_poisoned_source_is_found",
        "validation/test_calibration_truth.py::test_noise_switches_nothing_on",
        "validation/test_calibration_truth.py::test_too_few_houses_or_blocks",
        "validation/test_calibration_truth.py::test_random_splits_look_better_than_they_are_where_neighbours_are_alike"),
        "surveys that one hand invents to fit the model cannot be told from measured ones"),
    Threat(35, "another page, program or computer reaches the page of this computer", (
        "unit/window/test_window_guard.py::test_without_the_key_nothing_is_answered",
        "unit/window/test_window_guard.py::test_a_wrong_key_or_cookie_is_no_key",
        "unit/window/test_window_guard.py::test_another_host_is_refused",
        "unit/window/test_window_guard.py::test_another_computer_is_refused",
        "unit/window/test_window_guard.py::test_another_origin_can_change_nothing",
        "unit/window/test_window_guard.py::test_no_change_without_the_token",
        "unit/window/test_window_guard.py::test_it_listens_to_this_computer_only",
        "unit/window/test_window_guard.py::test_a_made_page_is_shown_in_a_sandbox_under_its_own_policy"),
        "another user of this computer can read the key in the list of processes while the browser is started"),
    Threat(36, "files sent to the page: too many, too large, with hostile names or cut off", (
        "unit/window/test_window_uploads.py::test_bounds",
        "unit/window/test_window_uploads.py::test_no_name_leads_out_of_the_folder",
        "unit/window/test_window_uploads.py::test_no_text_at_all_leads_out_of_the_folder",
        "unit/window/test_window_uploads.py::test_a_full_disk_leaves_nothing",
        "faults/test_window_faults.py::test_a_flood_is_refused_before_it_is_sent",
        "faults/test_window_faults.py::test_two_gigabytes_are_taken_piece_by_piece",
        "faults/test_window_faults.py::test_a_zip_that_unpacks_without_end_is_refused_and_nothing_is_unpacked",
        "faults/test_window_faults.py::test_a_zip_that_points_outside_leaves_nothing_outside",
        "browser/test_window_browser.py::test_hostile_texts_are_shown_and_nothing_runs",
        "browser/test_window_troubles.py::test_hostile_ids_labels_and_names_of_files_stay_texts")),
    Threat(37, "work of the page that is cancelled, killed, or started twice", (
        "faults/test_window_faults.py::test_a_job_is_cancelled_and_frees_the_area",
        "faults/test_window_faults.py::test_a_killed_worker_is_reported_and_the_next_job_works",
        "faults/test_window_faults.py::test_a_second_window_is_told_that_the_area_is_busy",
        "faults/test_window_faults.py::test_a_killed_window_takes_its_workers_along",
        "faults/test_window_faults.py::test_a_window_killed_in_mid_run_leaves_whole_runs_and_the_files_as_given",
        "browser/test_window_troubles.py::test_two_tabs_of_one_area_lose_nothing",
        "browser/test_window_troubles.py::test_a_tab_that_is_closed_in_mid_run_does_not_matter")),
)


@cache
def functions(path: Path) -> frozenset[str]:
    """Return the test functions of a file."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return frozenset(node.name for node in ast.walk(tree)
                     if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"))


def table() -> str:
    """Return the threats with their standing, tests and what is left."""
    lines = []
    for threat in THREATS:
        lines.append(f"{threat.number:>2}  {threat.standing:<8} {threat.words}")
        lines += [f"              {name}" for name in threat.tests]
        lines += [f"              left: {threat.left}"] if threat.left else []
    count = {s: sum(t.standing == s for t in THREATS) for s in ("tested", "partly", "not yet")}
    return "\n".join([*lines, ", ".join(f"{n} {s}" for s, n in count.items())])


def test_every_threat_has_one_row() -> None:
    print("\n" + table())
    assert [t.number for t in THREATS] == list(range(1, 38))
    assert all(t.tests or t.left for t in THREATS)


def test_its_tests_are_in_the_tree() -> None:
    def check(threat: Threat) -> None:
        for name in threat.tests:
            file, _, function = name.partition("::")
            assert (TESTS / file).is_file(), name
            assert function in functions(TESTS / file), name
        assert len(set(threat.tests)) == len(threat.tests)

    check_each(THREATS, check, lambda threat: f"{threat.number:02d} {threat.words}")


# ---------------------------------------------------------------- two threats that only the code itself can answer
RUNS = {"pickle", "cPickle", "dill", "joblib", "cloudpickle", "shelve", "marshal", "yaml"}
CALLS = {"eval", "exec", "compile_command", "read_pickle", "allow_pickle"}


def runs_code(source: str) -> list[str]:
    """Return what in a source could run data: modules that load objects, eval and exec."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found += [a.name for a in node.names if a.name.split(".")[0] in RUNS]
        elif isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] in RUNS:
            found.append(str(node.module))
        elif isinstance(node, ast.Call):
            name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
            method = isinstance(node.func, ast.Attribute)
            found += [name] if name in CALLS and not (method and name in ("eval", "exec")) else []
            found += [str(k.arg) for k in node.keywords if k.arg in CALLS]
            found += ["shell"] if any(k.arg == "shell" for k in node.keywords) else []
    return found


def test_nothing_is_loaded_that_can_run() -> None:
    def check(path: Path) -> None:
        assert runs_code(path.read_text(encoding="utf-8")) == []

    check_each(sorted(PACKAGE.rglob("*.py")), check, lambda path: str(path.relative_to(PACKAGE)))


def test_the_rule_sees_what_it_forbids() -> None:
    for line in ("import pickle", "from yaml import load", "eval('1')", "np.load(f, allow_pickle=True)",
                 "pd.read_pickle(f)", "subprocess.run(x, shell=True)"):
        assert runs_code(line), line


@pytest.mark.parametrize("text", ["'" * 100_000 + "x", "=" * 100_000, "a" * 100_000, "1" * 100_000, "-" * 100_000,
                                  "_aA" * 30_000, "owner" * 20_000, " " * 100_000 + "/", "1985-0" * 20_000,
                                  "1985.".ljust(100_000, "0") + "x", "٣" * 100_000])
def test_long_texts_are_read_in_time(text: str) -> None:
    """Every pattern that meets a user's text, on what makes patterns turn back; ten times the length that is common."""
    import pandas as pd

    from riskmap.common.errors import shown
    from riskmap.layers import drought_weekly, lots_columns, lots_csv
    from riskmap.lots import pour_date
    from riskmap.lots.foundation import OTHER_FOUNDATION
    from riskmap.outputs.files import csv_table
    from riskmap.run import folder

    began = time.perf_counter()
    pour_date.read_text(text, 2035)
    pour_date._lag(text)
    lots_columns.is_personal(text)
    lots_columns.EFFECTIVE_YEAR.search(text)
    lots_csv._TOTALS.fullmatch(text)
    lots_csv._degrees(text)
    drought_weekly._DATE.search(text)
    OTHER_FOUNDATION.search(text)
    csv_table.unguarded(csv_table.guarded(pd.Series([text])))
    folder.slug(text)
    shown(text)
    assert time.perf_counter() - began < 2.0


if __name__ == "__main__":
    sys.stdout.write(table() + "\n")
