// Turns a fuzzer's input into a capture file. A mutated file seldom gets past its checksums, so
// there is a second way: the input as the fields of a Capture, with checksums put right.
#pragma once

#include <zstd.h>

#include "capture/base/version.h"
#include "capture/store/crc32c.h"
#include "capture/store/messages.h"
#include "capture/store/wire.h"
#include "tests/fuzz/fuzz.h"

namespace witness::fuzz {

inline Bytes Frame(ByteView content) {
  ZSTD_CCtx* context = ZSTD_createCCtx();
  ZSTD_CCtx_setParameter(context, ZSTD_c_checksumFlag, 1);
  ZSTD_CCtx_setParameter(context, ZSTD_c_compressionLevel, 1);
  Bytes out(ZSTD_compressBound(content.size()), '\0');
  out.resize(ZSTD_compress2(context, out.data(), out.size(), content.data(), content.size()));
  ZSTD_freeCCtx(context);
  return out;
}

// `fields`: the decompressed content of a capture, checksums right or wrong. Where they can be told
// apart, headers, blocks and trailers get the right ones, a frame each as the first byte's bits
// say.
inline Bytes FileOfFields(ByteView fields) {
  Bytes file = Frame([] {
    Bytes header;
    const Bytes content = EncodeHeader(CaptureInfo{}, kFormatMajor, kFormatMinor);
    AppendBytesHead(header, kHeaderField, content.size());
    return header + content;
  }());
  Input input(reinterpret_cast<const std::uint8_t*>(fields.data()), fields.size());
  const std::uint8_t cuts = input.Byte();
  WireCursor cursor(input.Rest());
  Bytes frame;
  WireField field;
  for (unsigned n = 0; !cursor.done(); ++n) {
    const ByteView left(cursor.position(), cursor.left());
    if (!NextField(cursor, field) || field.type != WireType::kBytes) {
      frame += left;
      break;
    }
    Bytes content(field.bytes);
    const bool summed = field.number == kHeaderField || field.number == kBlockField ||
                        field.number == kTrailerField;
    if (summed) {
      if (content.size() >= 5 && content[content.size() - 5] == '\x7D') {
        content.resize(content.size() - 5);
      }
      const std::uint32_t crc = Crc32c(content);
      content += '\x7D';
      AppendLittle32(content, crc);
    }
    AppendBytesHead(frame, field.number, content.size());
    frame += content;
    if ((cuts >> n % 8 & 1) != 0) {
      file += Frame(frame);
      frame.clear();
    }
  }
  return frame.empty() ? file : file + Frame(frame);
}

}  // namespace witness::fuzz
