#include "replay/part/part.h"

namespace trial {

Bytes JoinPieces(const std::vector<Piece>& pieces) {
  Bytes all;
  for (const Piece& piece : pieces) all += piece.bytes;
  return all;
}

}  // namespace trial
