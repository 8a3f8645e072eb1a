package run

import (
	"context"
	"errors"
	"fmt"

	"buf.build/go/protovalidate"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"spindlewright/pkg/fault"
)

// validation checks every message that comes in against the rules written in
// its contract.
type validation struct{ validator protovalidate.Validator }

// newValidation compiles the rules of the request messages of services at
// start, so that no caller waits for it.
func newValidation(services []string) (*validation, error) {
	messages, err := requestsOf(services)
	if err != nil {
		return nil, err
	}
	v, err := protovalidate.New(protovalidate.WithMessageDescriptors(messages...))
	if err != nil {
		return nil, fmt.Errorf("compile the rules of the contracts: %w", err)
	}
	return &validation{v}, nil
}

// requestsOf lists the request messages of services, by their full names.
func requestsOf(services []string) ([]protoreflect.MessageDescriptor, error) {
	var list []protoreflect.MessageDescriptor
	seen := map[protoreflect.FullName]bool{}
	for _, name := range services {
		d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(name))
		if err != nil {
			return nil, fmt.Errorf("service %s has no contract: %w", name, err)
		}
		service, ok := d.(protoreflect.ServiceDescriptor)
		if !ok {
			return nil, fmt.Errorf("%s is no service", name)
		}
		for i := range service.Methods().Len() {
			in := service.Methods().Get(i).Input()
			if !seen[in.FullName()] {
				seen[in.FullName()] = true
				list = append(list, in)
			}
		}
	}
	return list, nil
}

func (v *validation) check(m any) error {
	message, ok := m.(proto.Message)
	if !ok {
		return nil
	}
	err := v.validator.Validate(message)
	var broken *protovalidate.ValidationError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &broken):
		return refusal(broken)
	default:
		return fmt.Errorf("check %s: %w", message.ProtoReflect().Descriptor().FullName(), err)
	}
}

// mostFields is how many fields one refusal names.
const mostFields = 20

func refusal(broken *protovalidate.ValidationError) error {
	var fields []fault.Field
	for _, v := range broken.Violations {
		if len(fields) == mostFields {
			break
		}
		fields = append(fields, fault.Field{Path: protovalidate.FieldPathString(v.Proto.GetField()), Problem: problem(v)})
	}
	return fault.Invalid(fields...)
}

// problem words a broken rule: what is there, and what would be right.
func problem(v *protovalidate.Violation) string {
	right := v.Proto.GetMessage()
	switch v.Proto.GetRuleId() {
	case "required":
		return "is missing; give it"
	case "string.uuid", "string.uuid_empty":
		right = "must be a UUID, for example 0190a3c4-5d6e-7f80-91a2-b3c4d5e6f708"
	}
	if v.FieldDescriptor == nil || !v.FieldValue.IsValid() {
		return right
	}
	if given, ok := shown(v.FieldValue); ok {
		return fmt.Sprintf("is %s; it %s", given, right)
	}
	return right
}

// longestShown is how much of a wrong value is repeated to the caller.
const longestShown = 40

// shown gives a scalar as the caller wrote it.
func shown(v protoreflect.Value) (string, bool) {
	switch x := v.Interface().(type) {
	case string:
		if x == "" {
			return "empty", true
		}
		if r := []rune(x); len(r) > longestShown {
			return fmt.Sprintf("%q... (%d characters)", string(r[:longestShown]), len(r)), true
		}
		return fmt.Sprintf("%q", x), true
	case int32, int64, uint32, uint64, float32, float64, bool:
		return fmt.Sprint(x), true
	case protoreflect.EnumNumber:
		return fmt.Sprintf("number %d", x), true
	default:
		return "", false
	}
}

// unary checks the request of a unary call.
func (v *validation) unary(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	if err := v.check(req); err != nil {
		return nil, err
	}
	return next(ctx, req)
}

// stream checks every message that a stream brings.
func (v *validation) stream(srv any, ss grpc.ServerStream, _ *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	return next(srv, checkedStream{ss, v})
}

type checkedStream struct {
	grpc.ServerStream
	v *validation
}

func (s checkedStream) RecvMsg(m any) error {
	if err := s.ServerStream.RecvMsg(m); err != nil {
		return err
	}
	return s.v.check(m)
}
