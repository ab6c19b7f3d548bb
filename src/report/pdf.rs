//! The month's supply report on paper (PDF): what the page says, with charts, for A4 or Letter.
//!
//! The same report gives the same bytes. `content` says what there is, `sheet` where it comes to stand, `table` and
//! `chart` set what they are called after, `face` knows letters, `file` writes what came of it.

mod chart;
mod content;
mod face;
mod file;
mod sheet;
mod table;

use sha2::{Digest, Sha256};

use self::file::About;
use self::sheet::Sheets;
use super::Paper;
use crate::usecase::view::Statement;

/// The report as the bytes of a file.
///
/// # Errors
/// Writing to memory does not fail; the error is passed on rather than hidden.
pub fn month(statement: &Statement, paper: Paper) -> std::io::Result<Vec<u8>> {
    let report = &statement.report;
    let title = report.month.report_title();
    let mut sheets = Sheets::new(paper);
    content::set(&mut sheets, statement);
    sheets.number(&title);
    let digest = Sha256::digest(statement.document.as_bytes());
    let at = statement.closing.as_ref().map_or(report.as_of, |closing| closing.at);
    file::file(&sheets, &About { title: &title, at, id: &digest[..16] })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::pdf::sheet::Mark;
    use crate::report::testing::statement;

    /// Everything that is written, page by page.
    fn said(statement: &Statement, paper: Paper) -> Vec<Vec<String>> {
        let mut sheets = Sheets::new(paper);
        content::set(&mut sheets, statement);
        sheets.number("Supply report");
        let text = |mark: &Mark| match mark {
            Mark::Text { text, .. } => Some(text.clone()),
            _ => None,
        };
        sheets.pages.iter().map(|page| page.iter().filter_map(text).collect()).collect()
    }

    #[test]
    fn the_same_report_is_the_same_file() {
        for paper in [Paper::A4, Paper::Letter] {
            let bytes = month(&statement(), paper).unwrap();
            assert!(bytes.starts_with(b"%PDF-1.7"));
            assert_eq!(month(&statement(), paper).unwrap(), bytes);
        }
    }

    #[test]
    fn the_paper_says_what_the_page_says() {
        let pages = said(&statement(), Paper::A4);
        insta::assert_snapshot!(pages.iter().map(|page| page.join("\n")).collect::<Vec<_>>().join("\n\n"));
    }

    #[test]
    fn every_page_says_which_it_is() {
        let pages = said(&statement(), Paper::Letter);
        for (at, page) in pages.iter().enumerate() {
            assert!(page.contains(&format!("Page {} of {}", at + 1, pages.len())));
        }
    }

    #[test]
    fn a_name_in_other_letters_is_spelt_and_the_reader_is_told() {
        let note = |statement: &Statement| {
            said(statement, Paper::A4)
                .concat()
                .iter()
                .any(|line| line.contains("that the faces of this file lack"))
        };
        let mut greek = statement();
        assert!(!note(&greek));
        greek.report.devices[0].name = "Σκηνή".to_owned();
        assert!(note(&greek));
        assert!(month(&greek, Paper::A4).is_ok());
    }

    #[test]
    fn an_empty_month_is_a_page_that_says_so() {
        let mut nothing = statement();
        nothing.report.devices.clear();
        let pages = said(&nothing, Paper::A4);
        assert_eq!(pages.len(), 1);
        assert!(pages[0].iter().any(|line| line.starts_with("Nothing was read in this month.")));
    }
}
