//! What part of the chart is looked at, and what has been drawn of it already.

use std::collections::BTreeSet;
use std::sync::Arc;

use crate::drawing::longest_name;
use crate::painter::Cache;
use chart::{Chart, Line, Viewport};
use view::{Ribbon, Snapshot, Stage};

/// What part of the chart is looked at, and what has been drawn of it already.
///
/// The grid, the curves that stand, the live curves and the ribbon are kept
/// apart, so that a live update draws nothing anew but itself.
#[derive(Debug, Default)]
pub(crate) struct ChartState {
    view: Option<Viewport>,
    /// The chart without what is hidden.
    shown: Option<Arc<Chart>>,
    /// The curves and areas that the person has switched off, by their names, and in which stage.
    hidden: BTreeSet<String>,
    stage: Option<Stage>,
    /// Where the pointer is along the level axis.
    pub(crate) at: Option<f64>,
    ribbon_shown: Option<Ribbon>,
    pub(crate) grid: Cache,
    pub(crate) curves: Cache,
    pub(crate) names: Cache,
    pub(crate) live: Cache,
    pub(crate) ribbon: Cache,
    pub(crate) ribbon_scale: Cache,
}

impl ChartState {
    /// The part that is looked at.
    pub(crate) fn view(&self, chart: &Chart) -> Viewport {
        self.view.unwrap_or_else(|| Viewport::fit(chart))
    }

    /// The chart without what is hidden.
    pub(crate) fn chart<'a>(&'a self, snapshot: &'a Snapshot) -> &'a Chart {
        self.shown.as_deref().unwrap_or(&snapshot.chart)
    }

    /// Whether a curve is switched off.
    pub(crate) fn hides(&self, name: &str) -> bool {
        self.hidden.contains(name)
    }

    /// Switches a curve off, or on again.
    pub(crate) fn switch(&mut self, name: String, snapshot: &Snapshot) {
        if !self.hidden.remove(&name) {
            self.hidden.insert(name);
        }
        self.show(snapshot);
        self.live.clear();
    }

    /// What is drawn of a chart.
    fn without_hidden(&self, chart: &Arc<Chart>) -> Arc<Chart> {
        if self.hidden.is_empty() {
            return Arc::clone(chart);
        }
        let mut chart = (**chart).clone();
        chart.lines.retain(|line| !self.hides(&line.label));
        chart.areas.retain(|area| !self.hides(&area.label));
        Arc::new(chart)
    }

    /// Another snapshot is shown.
    pub(crate) fn show(&mut self, snapshot: &Snapshot) {
        if self.stage.replace(snapshot.face.stage) != Some(snapshot.face.stage) {
            self.hidden.clear();
        }
        let chart = self.without_hidden(&snapshot.chart);
        let same = self.shown.as_ref().is_some_and(|shown| Arc::ptr_eq(shown, &chart) || **shown == *chart);
        if same {
            return;
        }
        let view = self.view.map_or_else(|| Viewport::fit(&chart), |view| view.carried_to(&chart));
        let same_grid = self.view == Some(view)
            && self.shown.as_ref().is_some_and(|shown| {
                shown.x == chart.x && shown.y == chart.y && longest_name(shown) == longest_name(&chart)
            });
        self.view = Some(view);
        self.shown = Some(chart);
        self.curves.clear();
        self.names.clear();
        if !same_grid {
            self.grid.clear();
            self.live.clear();
            self.ribbon.clear();
            self.ribbon_scale.clear();
        }
    }

    /// Another ribbon is shown.
    pub(crate) fn show_ribbon(&mut self, ribbon: Option<&Ribbon>) {
        if self.ribbon_shown.as_ref() != ribbon {
            self.ribbon_shown = ribbon.cloned();
            self.ribbon.clear();
            self.ribbon_scale.clear();
        }
    }

    /// Other live curves are shown.
    pub(crate) fn live_changed(&mut self, before: &[Line], after: &[Line]) {
        if before != after {
            self.live.clear();
        }
    }

    /// Another part is looked at.
    pub(crate) fn look(&mut self, view: Viewport) {
        if self.view != Some(view) {
            self.view = Some(view);
            self.redraw();
        }
    }

    /// The whole chart is looked at.
    pub(crate) fn fit(&mut self) {
        if let Some(view) = self.view {
            self.look(view.whole());
        }
    }

    /// Everything is drawn anew.
    pub(crate) fn redraw(&mut self) {
        for cache in [&self.grid, &self.curves, &self.names, &self.live, &self.ribbon, &self.ribbon_scale] {
            cache.clear();
        }
    }
}
