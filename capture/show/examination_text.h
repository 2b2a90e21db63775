// Examinations in words, for a terminal.
#pragma once

#include <string>

#include "capture/examine/examination.h"
#include "capture/store/capture_info.h"

namespace witness {

// Conventions, endings, timing, buffer, findings; several lines.
std::string ExaminationText(const Examination& examination);

// "  12.345678  command  AT+FW?␍   sure; ended: its line ending CR came", with what it is in the
// protocol. One line.
std::string SegmentLine(const Segment& segment);

// "AT+FW?␍  ->  ␍␊sedge-b 2.1␍␊..., after 20 ms". One line.
std::string ExchangeLine(const Exchange& exchange);

// Bars over octaves of time; empty if there is nothing to plot.
std::string PlotText(const Distribution& distribution, std::size_t width = 40);

}  // namespace witness
