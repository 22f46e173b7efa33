//! For a spreadsheet: a report, of a run or a case, as rows with one figure each under the names of
//! `docs/report-format.md`; and tables.

use serde::Serialize;
use serde_json::Value;

/// `field,entry,value` rows. An entry is the number in a list, from 1; in a list within a list, both with a point
/// between.
///
/// # Errors
/// Never for a report that was measured; a figure that is no number cannot be written.
pub fn render(report: &impl Serialize) -> Result<String, serde_json::Error> {
    let mut rows = Rows(csv::Writer::from_writer(Vec::new()));
    rows.row("field", "entry", "value");
    rows.value("", "", &serde_json::to_value(report)?);
    // Writing to memory does not fail, and what was written is text.
    Ok(rows.0.into_inner().ok().and_then(|bytes| String::from_utf8(bytes).ok()).unwrap_or_default())
}

/// A table with its columns, as text.
pub fn table(columns: &[&str], rows: impl IntoIterator<Item = Vec<String>>) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    // To memory: nothing can fail.
    let _ = writer.write_record(columns);
    for row in rows {
        let _ = writer.write_record(row.iter().map(|cell| plain(cell)));
    }
    writer.into_inner().ok().and_then(|bytes| String::from_utf8(bytes).ok()).unwrap_or_default()
}

struct Rows(csv::Writer<Vec<u8>>);

impl Rows {
    fn value(&mut self, field: &str, entry: &str, value: &Value) {
        let joined =
            |front: &str, back: &str| if front.is_empty() { back.to_owned() } else { format!("{front}.{back}") };
        match value {
            Value::Object(fields) => fields.iter().for_each(|(name, v)| self.value(&joined(field, name), entry, v)),
            Value::Array(list) => list
                .iter()
                .enumerate()
                .for_each(|(number, v)| self.value(field, &joined(entry, &(number + 1).to_string()), v)),
            Value::Null => self.row(field, entry, ""),
            Value::String(text) => self.row(field, entry, &plain(text)),
            figure => self.row(field, entry, &figure.to_string()),
        }
    }

    fn row(&mut self, field: &str, entry: &str, value: &str) {
        // To memory: nothing can fail.
        let _ = self.0.write_record([field, entry, value]);
    }
}

/// A text that a spreadsheet would take for a formula is written with an apostrophe in front, which it takes for a
/// text.
fn plain(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{text}") } else { text.to_owned() }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn rows(value: &Value) -> String {
        let mut rows = Rows(csv::Writer::from_writer(Vec::new()));
        rows.value("", "", value);
        String::from_utf8(rows.0.into_inner().unwrap()).unwrap()
    }

    #[test]
    fn lists_and_fields_keep_their_names() {
        let value =
            json!({"totals": {"sent": 3}, "steps": [{"size": 64, "parts": [7, 8]}, {"size": 512}], "cable": null});
        assert_eq!(
            rows(&value).lines().collect::<std::collections::BTreeSet<_>>(),
            [
                "totals.sent,,3",
                "steps.size,1,64",
                "steps.parts,1.1,7",
                "steps.parts,1.2,8",
                "steps.size,2,512",
                "cable,,"
            ]
            .into()
        );
    }

    /// RFC 4180 2.5 to 2.7: commas, quotes and line breaks stand in quotes, quotes are doubled.
    #[test]
    fn text_cannot_break_out_of_its_cell() {
        assert_eq!(rows(&json!({"cable": "Q-12, \"old\"\nrow"})), "cable,,\"Q-12, \"\"old\"\"\nrow\"\n");
        assert_eq!(rows(&json!({"cable": "=HYPERLINK(1)", "n": -3})), "cable,,'=HYPERLINK(1)\nn,,-3\n");
    }
}
