//! Certificates and labels in the folders that the configuration names.

use std::path::{Path, PathBuf};

use turnback_core::document::card_test::{CardTest, Grade};

use crate::{
    config::BenchConfig,
    show::{
        file::write_whole,
        label::{self, Size},
        sheet,
    },
};

/// Writes the certificate and the label of a card that has a grade, each where a folder is named for it. A file that is
/// there already and says the same stays untouched, so that nothing is printed twice.
///
/// # Errors
/// What could not be written, with its path.
pub fn write(config: &BenchConfig, test: &CardTest) -> Result<(), String> {
    if test.grade == Grade::Unfinished {
        return Ok(());
    }
    if let Some(folder) = &config.certificates {
        let page = sheet::bench::certificate(test).map_err(|error| error.to_string())?;
        put(&folder.join(format!("{}.html", file_name(&test.label))), &page)?;
    }
    if let Some(folder) = &config.labels {
        let svg = label::render(test, Size::parse(&config.label_size)?).map_err(|error| error.to_string())?;
        put(&folder.join(format!("{}.svg", file_name(&test.label))), &svg)?;
    }
    Ok(())
}

fn put(path: &Path, text: &str) -> Result<(), String> {
    if std::fs::read(path).is_ok_and(|there| there == text.as_bytes()) {
        return Ok(());
    }
    write_whole(path, text).map_err(|error| format!("cannot write {}: {error}", path.display()))
}

/// A label as the name of a file in this folder and no other.
fn file_name(label: &str) -> String {
    let plain = |c: char| if c.is_alphanumeric() || matches!(c, '-' | '.' | ' ') { c } else { '_' };
    let name: String = label.chars().map(plain).collect();
    match name.strip_prefix('.') {
        Some(rest) => format!("_{rest}"),
        None => name,
    }
}

/// Folders that are not there, or cannot be written to.
pub fn missing(config: &BenchConfig) -> Vec<PathBuf> {
    let folders = [&config.certificates, &config.labels].into_iter().flatten();
    folders.filter(|folder| !folder.is_dir()).cloned().collect()
}

#[cfg(test)]
mod tests {
    use std::fs;

    use turnback_core::bench::{procedure::Procedure, sim::builtin};

    use super::*;

    #[test]
    fn paper_is_written_once_a_grade_is_there_and_anew_when_it_changes() {
        let folder = tempfile::tempdir().unwrap();
        let config = BenchConfig {
            certificates: Some(folder.path().to_owned()),
            labels: Some(folder.path().to_owned()),
            ..BenchConfig::of_rig("sim:bench")
        };
        let rig = builtin("bench").unwrap();
        let procedure = Procedure::named("intake").unwrap();
        let mut test = CardTest::of("quay/7-01".into(), rig.card("HB-0001"), rig.claim, procedure);
        write(&config, &test).unwrap();
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0, "without a grade there is nothing to say");
        test.grade = Grade::Accepted;
        write(&config, &test).unwrap();
        let label = folder.path().join("quay_7-01.svg");
        assert!(fs::read_to_string(&label).unwrap().contains("ACCEPTED"));
        assert!(fs::read_to_string(folder.path().join("quay_7-01.html")).unwrap().contains("quay/7-01"));
        let written = fs::metadata(&label).unwrap().modified().unwrap();
        write(&config, &test).unwrap();
        assert_eq!(fs::metadata(&label).unwrap().modified().unwrap(), written, "a printer that watches prints once");
        test.grade = Grade::Rejected;
        write(&config, &test).unwrap();
        assert!(fs::read_to_string(&label).unwrap().contains("REJECTED"));
    }

    #[test]
    fn what_cannot_be_written_is_named() {
        let mut config = BenchConfig { labels: Some("/nonexistent/labels".into()), ..BenchConfig::of_rig("sim:bench") };
        assert_eq!(missing(&config), [PathBuf::from("/nonexistent/labels")]);
        let rig = builtin("bench").unwrap();
        let procedure = Procedure::named("intake").unwrap();
        let mut test = CardTest::of("quay-01".into(), rig.card("HB-0001"), rig.claim, procedure);
        test.grade = Grade::Limited;
        assert!(write(&config, &test).unwrap_err().contains("/nonexistent/labels/quay-01.svg"));
        config.label_size = "wide".into();
        assert!(write(&config, &test).unwrap_err().contains("`wide`"));
        assert_eq!(file_name(".."), "_.");
    }
}
