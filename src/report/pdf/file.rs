//! Pages as the bytes of a file (PDF 1.7, ISO 32000-1): text that can be searched and copied, a title, a language, a
//! list of contents, and the report's own moment as its date.

use std::io::Write as _;

use flate2::Compression;
use flate2::write::ZlibEncoder;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use pdf_writer::types::PageMode;
use pdf_writer::{Content, Date, Filter, Finish, Name, Pdf, Rect, Ref, Str, TextStr};

use super::face::{Face, Spelling};
use super::sheet::{Entry, Mark, Sheets, Tone, Type};

/// What the file says about itself.
pub(super) struct About<'a> {
    pub(super) title: &'a str,
    pub(super) at: Timestamp,
    /// What tells this file from others: the same report, the same bytes.
    pub(super) id: &'a [u8],
}

/// Objects of a file by number.
struct Refs {
    pages: usize,
}

impl Refs {
    const CATALOG: Ref = Ref::new(1);
    const TREE: Ref = Ref::new(2);
    const INFO: Ref = Ref::new(3);
    const CONTENTS: Ref = Ref::new(4);
    const FACES: usize = 5;

    fn numbered(number: usize) -> Ref {
        Ref::new(i32::try_from(number).unwrap_or(i32::MAX))
    }

    fn face(at: usize) -> Ref {
        Self::numbered(Self::FACES + at)
    }

    fn page(at: usize) -> Ref {
        Self::numbered(Self::FACES + Face::ALL.len() + 2 * at)
    }

    fn stream(at: usize) -> Ref {
        Self::numbered(Self::FACES + Face::ALL.len() + 2 * at + 1)
    }

    fn entry(&self, at: usize) -> Ref {
        Self::numbered(Self::FACES + Face::ALL.len() + 2 * self.pages + at)
    }
}

/// The pages as a file.
///
/// # Errors
/// Writing to memory does not fail; the error is passed on rather than hidden.
pub(super) fn file(sheets: &Sheets, about: &About<'_>) -> std::io::Result<Vec<u8>> {
    let (width, height) = sheets.size();
    let refs = Refs { pages: sheets.pages.len() };
    let mut pdf = Pdf::new();
    head(&mut pdf, about);
    pdf.pages(Refs::TREE)
        .kids((0..refs.pages).map(Refs::page))
        .count(i32::try_from(refs.pages).unwrap_or(i32::MAX));
    for (at, face) in Face::ALL.iter().enumerate() {
        let mut font = pdf.type1_font(Refs::face(at));
        font.base_font(Name(face.base_font())).encoding_predefined(Name(b"WinAnsiEncoding"));
    }
    for (at, marks) in sheets.pages.iter().enumerate() {
        let mut page = pdf.page(Refs::page(at));
        page.media_box(Rect::new(0.0, 0.0, width, height)).parent(Refs::TREE).contents(Refs::stream(at));
        let mut resources = page.resources();
        let mut fonts = resources.fonts();
        for (at, face) in Face::ALL.iter().enumerate() {
            fonts.pair(Name(face.name()), Refs::face(at));
        }
        fonts.finish();
        resources.finish();
        page.finish();
        let mut packed = ZlibEncoder::new(Vec::new(), Compression::default());
        packed.write_all(&drawn(marks, height))?;
        pdf.stream(Refs::stream(at), &packed.finish()?).filter(Filter::FlateDecode);
    }
    contents(&mut pdf, &refs, &sheets.contents, height);
    Ok(pdf.finish())
}

fn head(pdf: &mut Pdf, about: &About<'_>) {
    let mut catalog = pdf.catalog(Refs::CATALOG);
    catalog.pages(Refs::TREE).lang(TextStr("en")).outlines(Refs::CONTENTS).page_mode(PageMode::UseNone);
    catalog.viewer_preferences().display_doc_title(true);
    catalog.finish();
    let at = TimeZone::UTC.to_datetime(about.at);
    let part = |value: i8| u8::try_from(value).unwrap_or(0);
    let date = Date::new(u16::try_from(at.year()).unwrap_or(0))
        .month(part(at.month()))
        .day(part(at.day()))
        .hour(part(at.hour()))
        .minute(part(at.minute()))
        .second(part(at.second()))
        .utc_offset_hour(0);
    let mut info = pdf.document_info(Refs::INFO);
    info.title(TextStr(about.title)).creator(TextStr("Ullage")).creation_date(date);
    info.finish();
    pdf.set_file_id((about.id.to_vec(), about.id.to_vec()));
}

/// The list of contents.
fn contents(pdf: &mut Pdf, refs: &Refs, entries: &[Entry], height: f32) {
    let mut outline = pdf.outline(Refs::CONTENTS);
    if !entries.is_empty() {
        outline.first(refs.entry(0)).last(refs.entry(entries.len() - 1));
        outline.count(i32::try_from(entries.len()).unwrap_or(i32::MAX));
    }
    outline.finish();
    for (at, entry) in entries.iter().enumerate() {
        let mut item = pdf.outline_item(refs.entry(at));
        item.title(TextStr(&entry.title)).parent(Refs::CONTENTS);
        if at > 0 {
            item.prev(refs.entry(at - 1));
        }
        if at + 1 < entries.len() {
            item.next(refs.entry(at + 1));
        }
        item.dest().page(Refs::page(entry.page)).xyz(0.0, height - entry.y + 6.0, None);
    }
}

/// What stands on a page as the operators that draw it; they count from the lower left corner.
fn drawn(marks: &[Mark], height: f32) -> Vec<u8> {
    let mut content = Content::new();
    for mark in marks {
        match mark {
            Mark::Text { x, y, set, text } => draw_text(&mut content, (*x, height - y), *set, text),
            Mark::Box { x, y, width, height: high, tone: Tone(grey) } => {
                content.set_fill_gray(*grey).rect(*x, height - y - high, *width, *high).fill_nonzero();
            }
            Mark::Rule { x, y, width, weight, tone: Tone(grey) } => {
                content.set_stroke_gray(*grey).set_line_width(*weight);
                content.move_to(*x, height - y).line_to(x + width, height - y).stroke();
            }
        }
    }
    content.finish().to_vec()
}

fn draw_text(content: &mut Content, (x, y): (f32, f32), set: Type, text: &str) {
    let spelling = Spelling::of(text);
    if spelling.is_respelt {
        let mut span = content.begin_marked_content_with_properties(Name(b"Span"));
        span.properties().actual_text(TextStr(text));
    }
    content.set_fill_gray(set.tone.0).begin_text();
    content.set_font(Name(set.face.name()), set.size).next_line(x, y).show(Str(&spelling.bytes)).end_text();
    if spelling.is_respelt {
        content.end_marked_content();
    }
}
