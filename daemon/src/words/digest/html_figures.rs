//! The tables of figures: one for each meter.

use super::{Extremes, Page, least_matters, percent};
use kvarden_core::digest::MeterDay;
use maud::{Markup, html};

impl Page<'_> {
    /// The figures of every meter.
    pub(super) fn figure_tables(&self) -> Markup {
        let ours = |transformer: &str| {
            let transformer = transformer.to_owned();
            self.figures.meters.iter().filter(move |meter| meter.transformer == transformer)
        };
        html! {
            section {
                h2 { (self.say("digest-figures")) }
                div.tables {
                    @for meter in self.day.transformers.iter().flat_map(|transformer| ours(transformer)) {
                        (self.figure_table(meter))
                    }
                }
            }
        }
    }

    fn figure_table(&self, meter: &MeterDay) -> Markup {
        let rows: Vec<Extremes<'_>> = self.extremes(meter).collect();
        let heads = [
            self.say("digest-column-quantity"),
            self.say("digest-column-mean"),
            self.say("digest-column-least"),
            self.say("digest-column-peak"),
            self.say("digest-column-share"),
        ];
        html! {
            div.table {
                h3 { (meter.transformer) ", " (self.meter(meter)) ": " (self.measured(meter)) }
                @if let Some(unseen) = self.unseen(meter) { p.soft { (unseen) } }
                @if !rows.is_empty() {
                    table {
                        thead { tr { @for head in &heads { th scope="col" { (head) } } } }
                        tbody { @for row in &rows { (self.figure_row(row)) } }
                    }
                }
            }
        }
    }

    fn figure_row(&self, row: &Extremes<'_>) -> Markup {
        let (highest, lowest) = (row.highest, row.lowest);
        html! {
            tr {
                td { (row.name()) }
                td { (row.mean()) }
                td {
                    (row.least())
                    @if least_matters(highest.quantity.what) { " " span.at { (self.clock(lowest.min_at)) } }
                }
                td { (row.most()) " " span.at { (self.clock(highest.max_at)) } }
                td { (percent(highest.measured)) }
            }
        }
    }
}
