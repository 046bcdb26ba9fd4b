//! The live table: plain columns, readable without colour, drawn from data that is ready to show.

use ratatui::Frame;
use ratatui::layout::{Alignment, Constraint, Layout};
use ratatui::style::{Modifier, Style};
use ratatui::text::{Line, Text};
use ratatui::widgets::{Cell, Paragraph, Row, Table};

/// Everything on the screen.
#[derive(Clone, PartialEq, Default, Debug)]
pub(crate) struct View {
    /// Unit, port, file.
    pub(crate) title: String,
    /// Responses so far, achieved and predicted rate, worst gap.
    pub(crate) state: String,
    /// One line per channel.
    pub(crate) channels: Vec<Shown>,
    /// First channel shown.
    pub(crate) first: usize,
    /// The latest notes, newest last.
    pub(crate) notes: Vec<String>,
}

/// One channel's line.
#[derive(Clone, PartialEq, Default, Debug)]
pub(crate) struct Shown {
    pub(crate) name: String,
    pub(crate) value: String,
    pub(crate) unit: String,
    pub(crate) min: String,
    pub(crate) max: String,
    pub(crate) rate: String,
    pub(crate) gap: String,
}

const KEYS: &str = "q end  r reset min and max  up/down scroll  | a passenger operates, the driver drives";
const NOTES: usize = 3;

pub(crate) fn draw(frame: &mut Frame<'_>, view: &View) {
    let notes = view.notes.len().min(NOTES);
    let rows = [
        Constraint::Length(1),
        Constraint::Length(1),
        Constraint::Length(1),
        Constraint::Min(2),
        Constraint::Length(notes as u16),
        Constraint::Length(1),
    ];
    let [title, state, _, table, note_area, keys] = Layout::vertical(rows).areas(frame.area());
    let bold = Style::new().add_modifier(Modifier::BOLD);
    let window = usize::from(frame.area().width);
    frame.render_widget(Paragraph::new(cut(&view.title, window)).style(bold), title);
    frame.render_widget(Paragraph::new(cut(&view.state, window)), state);
    let room = usize::from(table.height.saturating_sub(1));
    let first = view.first.min(view.channels.len().saturating_sub(room));
    frame.render_widget(channels(view.channels.get(first..).unwrap_or_default(), window), table);
    let latest = view.notes.get(view.notes.len() - notes..).unwrap_or_default();
    frame.render_widget(
        Paragraph::new(latest.iter().map(|note| Line::raw(cut(note, window))).collect::<Vec<_>>()),
        note_area,
    );
    let hidden = view.channels.len().saturating_sub(room);
    let keys_line = if hidden > 0 { format!("{hidden} more  {KEYS}") } else { KEYS.to_owned() };
    frame.render_widget(Paragraph::new(cut(&keys_line, window)), keys);
}

/// A column: title, cells, least width; whether it counts from the right; least width of a window that shows it.
type Column = (&'static str, fn(&Shown) -> &str, usize, Alignment, usize);

const COLUMNS: [Column; 7] = [
    ("channel", |line| &line.name, 7, Alignment::Left, 0),
    ("value", |line| &line.value, 14, Alignment::Right, 0),
    ("unit", |line| &line.unit, 9, Alignment::Left, 0),
    ("min", |line| &line.min, 8, Alignment::Right, 62),
    ("max", |line| &line.max, 8, Alignment::Right, 62),
    // A rate is never given without its worst gap.
    ("per s", |line| &line.rate, 6, Alignment::Right, 80),
    ("worst gap", |line| &line.gap, 9, Alignment::Right, 80),
];

/// A window that is too narrow has fewer columns; what is cut all the same ends in an ellipsis.
fn channels(shown: &[Shown], window: usize) -> Table<'_> {
    let columns: Vec<&Column> = COLUMNS.iter().filter(|(.., least)| window >= *least).collect();
    let longest = shown.iter().map(|line| line.name.chars().count()).max().unwrap_or(0);
    let name = longest.clamp(7, (window / 3).max(7));
    let others: usize = columns.iter().skip(2).map(|(_, _, width, ..)| width + 1).sum();
    let value = window.saturating_sub(name + 1 + others).clamp(7, 32);
    let width = |column: &Column| match column.0 {
        "channel" => name,
        "value" => value,
        _ => column.2,
    };
    let cell = |text: &str, column: &Column| Cell::new(Text::raw(cut(text, width(column))).alignment(column.3));
    let header = Row::new(columns.iter().map(|column| cell(column.0, column)));
    let rows = shown.iter().map(|line| Row::new(columns.iter().map(|column| cell((column.1)(line), column))));
    let widths = columns.iter().map(|column| Constraint::Length(u16::try_from(width(column)).unwrap_or(u16::MAX)));
    Table::new(rows.collect::<Vec<_>>(), widths.collect::<Vec<_>>())
        .header(header.style(Style::new().add_modifier(Modifier::UNDERLINED)))
        .column_spacing(1)
}

/// At most so many characters; half a number would be another number, so it is seen that something is missing.
fn cut(text: &str, width: usize) -> String {
    match text.chars().count() > width {
        true => text.chars().take(width.saturating_sub(1)).chain(['…']).collect(),
        false => text.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use ratatui::Terminal;
    use ratatui::backend::TestBackend;

    use super::*;

    fn view() -> View {
        let line = |name: &str, value: &str, unit: &str, min: &str, max: &str| Shown {
            name: name.into(),
            value: value.into(),
            unit: unit.into(),
            min: min.into(),
            max: max.into(),
            rate: "6.31".into(),
            gap: "162 ms".into(),
        };
        View {
            title: "Bramble 40 engine control unit on pseudo-terminal /dev/pts/3".into(),
            state: "12.4 s   151 responses   12.57/s of 12.61/s predicted   worst gap 98 ms   0 repeats".into(),
            channels: vec![
                line("engine_speed", "851.25", "/min", "0", "2940.5"),
                line("coolant", "sensor open (inv.)", "°C", "", ""),
                line("closed_loop", "yes", "", "", ""),
                line("knock_retard.1", "0.4", "deg", "0", "3"),
            ],
            first: 0,
            notes: vec!["control unit: connected".into()],
        }
    }

    fn drawn(width: u16, height: u16, view: &View) -> TestBackend {
        let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
        terminal.draw(|frame| draw(frame, view)).unwrap();
        terminal.backend().clone()
    }

    #[test]
    fn every_channel_has_a_line() {
        insta::assert_snapshot!(drawn(96, 11, &view()));
    }

    #[test]
    fn what_does_not_fit_is_counted_and_can_be_scrolled_to() {
        let scrolled = View { first: 99, ..view() };
        insta::assert_snapshot!(drawn(96, 8, &scrolled));
    }

    #[test]
    fn a_narrow_window_shows_fewer_columns_and_never_part_of_a_number() {
        insta::assert_snapshot!(drawn(60, 11, &view()));
        let long = Shown { value: "1234567.25".into(), name: "engine_speed_of_the_pump".into(), ..Shown::default() };
        let narrow = drawn(26, 6, &View { channels: vec![long], ..View::default() });
        assert!(narrow.to_string().contains("engine_… 123456…"), "{narrow}");
    }

    #[test]
    fn no_window_is_too_small_to_draw_in() {
        for (width, height) in [(1, 1), (10, 3), (40, 2), (200, 1)] {
            drawn(width, height, &view());
            drawn(width, height, &View::default());
        }
    }
}
