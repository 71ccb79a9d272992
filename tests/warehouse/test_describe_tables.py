"""The description of what is published says what the SQL and the dictionary say."""

from tests.describe_tables import tables_path, tables_text


def test_tables_md_is_up_to_date():
    assert tables_path().read_text(encoding="utf-8") == tables_text(), (
        "run `python -m tests.describe_tables`"
    )


def test_every_published_table_is_described():
    text = tables_text()
    assert "## out.gain\n" in text
    assert "| `mean_gain_pct` | double | % | Mean gain over the riding range. |" in text
