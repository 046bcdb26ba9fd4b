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
    frame.render_widget(Paragraph::new(view.title.as_str()).style(bold), title);
    frame.render_widget(Paragraph::new(view.state.as_str()), state);
    let room = usize::from(table.height.saturating_sub(1));
    let first = view.first.min(view.channels.len().saturating_sub(room));
    frame.render_widget(channels(view.channels.get(first..).unwrap_or_default()), table);
    let latest = view.notes.get(view.notes.len() - notes..).unwrap_or_default();
    frame.render_widget(
        Paragraph::new(latest.iter().map(|note| Line::raw(note.as_str())).collect::<Vec<_>>()),
        note_area,
    );
    let hidden = view.channels.len().saturating_sub(room);
    let keys_line = if hidden > 0 { format!("{hidden} more  {KEYS}") } else { KEYS.to_owned() };
    frame.render_widget(Paragraph::new(keys_line), keys);
}

fn channels(shown: &[Shown]) -> Table<'_> {
    let widths = [
        Constraint::Min(16),
        Constraint::Length(18),
        Constraint::Length(11),
        Constraint::Length(9),
        Constraint::Length(9),
        Constraint::Length(7),
        Constraint::Length(10),
    ];
    let header = Row::new([
        left("channel"),
        right("value"),
        left("unit"),
        right("min"),
        right("max"),
        right("per s"),
        right("worst gap"),
    ]);
    let rows = shown.iter().map(|line| {
        Row::new([
            left(&line.name),
            right(&line.value),
            left(&line.unit),
            right(&line.min),
            right(&line.max),
            right(&line.rate),
            right(&line.gap),
        ])
    });
    Table::new(rows, widths).header(header.style(Style::new().add_modifier(Modifier::UNDERLINED))).column_spacing(1)
}

fn left(text: &str) -> Cell<'_> {
    Cell::new(Text::raw(text))
}

fn right(text: &str) -> Cell<'_> {
    Cell::new(Text::raw(text).alignment(Alignment::Right))
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
    fn no_window_is_too_small_to_draw_in() {
        for (width, height) in [(1, 1), (10, 3), (40, 2), (200, 1)] {
            drawn(width, height, &view());
            drawn(width, height, &View::default());
        }
    }
}
