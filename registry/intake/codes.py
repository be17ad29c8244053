"""Every code a refused upload can carry, with what it means. Codes are permanent."""

# The body cannot be read as a table at all (or its columns cannot be told).
BODY_CODES = {
    "empty_body": "nothing was sent",
    "no_rows": "there is a header, but no row below it",
    "no_header": "the first line holds data, not column names",
    "not_utf8": "the text is in another encoding than UTF-8",
    "nul_bytes": "the file holds NUL bytes: a broken copy, or not a text file",
    "spreadsheet_file": "the file is a spreadsheet's own format, not CSV",
    "compressed_body": "the body is compressed, but not declared with Content-Encoding: gzip",
    "wrong_delimiter": "cells are separated by something else than a comma",
    "unclosed_quote": "a quoted cell is opened and never closed",
    "duplicate_header": "two columns have the same name",
    "unnamed_column": "a column has no name",
    "unknown_column": "a column that this kind of upload does not have",
    "missing_column": "a required column is not there",
    "ragged_row": "a row has more or fewer cells than the header",
    "too_many_columns": "the header row has far more columns than any kind of upload",
    "unreadable_table": "the text cannot be split into rows and cells",
    "not_json": "the text is not valid JSON",
    "not_an_array": "the JSON is not an array of objects",
    "not_an_object": "a row is not a JSON object",
    "duplicate_key": "a JSON object names the same column twice",
}

# A cell has the wrong form.
CELL_CODES = {
    "blank_row": "every cell of the row is blank",
    "required": "a required cell is blank",
    "not_a_single_value": "a list or an object where one value belongs",
    "control_character": "the cell holds characters that are not text",
    "too_long": "the text is longer than the column allows",
    "not_a_code": "not 2 to 40 capital letters, digits, hyphens and underscores",
    "mangled_by_spreadsheet": "a spreadsheet turned the code into a number or a date",
    "not_a_choice": "not one of the words of this column",
    "not_yes_or_no": "not yes or no",
    "not_a_number": "not a number with a decimal point",
    "decimal_comma": "a comma where the decimal point belongs",
    "missing_word": "a word for a missing value where the cell should be blank",
    "unit_in_cell": "a unit beside the number",
    "not_whole_number": "a fraction where a whole number belongs",
    "out_of_range": "outside the plausible range of the column",
    "zero_mass": "0 g written where nothing was weighed",
    "looks_like_fahrenheit": "a °F reading in the °C column",
    "not_iso_date": "not a date written as 2026-06-02",
    "ambiguous_date": "a date that can be read two ways",
    "spreadsheet_date_number": "a spreadsheet's day number instead of a date",
    "no_such_date": "a date that no calendar has",
    "date_without_time": "a date where a date and time belong",
    "not_iso_datetime": "not a time written as 2026-04-21T09:30:00+02:00",
    "ambiguous_local_time": "a local time that happened twice when clocks went back",
    "nonexistent_local_time": "a local time that was skipped when clocks went forward",
}

# A label that leads nowhere, or where the sender may not write.
LABEL_CODES = {
    "unknown_site": "no such site",
    "unknown_trial": "no such trial",
    "unknown_pile": "no such pile at this site",
    "unknown_material": "no such material",
    "unknown_bag": "no such bag in this trial",
    "not_your_site": "the row belongs to a site the sender may not write to",
    "site_not_in_trial": "the site does not take part in the trial",
    "trial_not_registered": "the trial is still a draft",
    "trial_closed": "the trial is closed",
}

# Each cell is fine; together, or beside what is stored, they cannot be.
MEANING_CODES = {
    "duplicate_row": "the same key twice in one file",
    "in_the_future": "later than now at the site",
    "density_implausible": "mass per area and thickness do not belong to one material",
    "composition_does_not_add_up": "the shares of a material do not add up to 100 ± 1",
    "turned_before_pile": "a turning before the pile was built",
    "measured_before_pile": "a reading before the pile was built",
    "no_temperature": "neither temperature_c nor temperature_f is given",
    "two_temperatures": "both temperature_c and temperature_f are given",
    "pile_of_other_trial": "the pile belongs to another trial",
    "material_not_in_trial": "the material is not part of the trial",
    "buried_before_pile": "a bag buried before its pile was built",
    "bag_label_taken": "another site uses the label in this trial",
    "retrieval_before_burial": "a bag lifted before it was buried",
    "retrieval_after_final_look": "a look at a bag that had left the pile",
    "final_look_before_later_look": "a last look, though a later look is stored",
    "residue_only_when_recovered": "a mass or ash beside an outcome without residue",
    "recovered_without_weight_or_score": "recovered, but neither weighed nor scored",
    "missing_bag_with_scores": "scores of a bag that was lost or damaged",
    "looked_at_without_score": "looked at, but no score given",
    "nothing_to_rebury": "reburied, though nothing was left or the bag was lost",
    "dry_heavier_than_wet": "the residue gained mass in drying",
    "mass_over_five_times_start": "a residue more than five times the start mass",
    "released_meanwhile": "the trial was frozen while the upload waited",
    "rule_broken": "a rule of the database that no other code names",
}

# Stored already under the same key with other values.
CHANGED_CODES = {
    f"{noun}_changed": f"the {noun} is stored with other values"
    for noun in (
        "material",
        "composition",
        "pile",
        "feedstock",
        "turning",
        "reading",
        "bag",
        "retrieval",
    )
}

FAULT_CODES: dict[str, str] = {
    **BODY_CODES,
    **CELL_CODES,
    **LABEL_CODES,
    **MEANING_CODES,
    **CHANGED_CODES,
    "not_found": "the queued file is no longer kept",
    "not_allowed": "the sender may not send this",
    "body_too_large": "more rows than one upload may have",
}
